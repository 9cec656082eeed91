"""Words and pictures for notices: the plan of a finished batch, a link, its curve, the daily digest."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, tzinfo
from typing import Final

from monitor.batch.schedule import feeding_words
from monitor.batch.sheet import Sheet
from monitor.cellar.plan_text import as_text
from monitor.cellar.shown import UnitSystem, in_units
from monitor.errors import InputError, NotFoundError, PackagedError
from monitor.ferment.emission import AlertKind, PhaseChange
from monitor.ferment.pipeline import Snapshot
from monitor.notify.channels import Channel
from monitor.notify.delivery import Courier
from monitor.notify.digest import digest_notice
from monitor.notify.notice import LONGEST_BODY, Notice, Reason, notice_of
from monitor.notify.post import Digest
from monitor.planning import plan_of
from monitor.settings import Settings
from monitor.store.base import Store
from monitor.store.values import Delivery
from monitor.web.course import chart
from monitor.web.picture import picture_png
from monitor.web.show import Show

PICTURE_PX: Final = (900, 480)


@dataclass(frozen=True, slots=True)
class Teller:
    """Makes what is sent of an alert, and of how all batches stand, in this cellar's units and time."""

    store: Store
    snapshots: Callable[[], Mapping[str, Snapshot]]
    phases: Callable[[str], Sequence[PhaseChange]]
    now_ms: Callable[[], int]
    units: UnitSystem = UnitSystem.METRIC
    zone: tzinfo = UTC
    public_url: str = ""
    """Where the page is reached from outside; empty means no link."""

    def compose(self, delivery: Delivery, sheet: Sheet | None, reason: Reason) -> Notice:
        """Words for a delivery; a finished batch gets its plan below them, or what is missing for one."""
        alert = delivery.alert
        snapshot = self.snapshots().get(alert.batch)
        if reason is Reason.REPEAT and snapshot is not None:
            words = snapshot.words_of(alert.kind, alert.subject, alert.fired_ms)
            delivery = replace(delivery, alert=replace(alert, message=words or alert.message))
        if alert.kind is AlertKind.NUTRIENT_DUE and sheet is not None and reason is Reason.FIRST:
            message = f"{alert.message}{feeding_words(sheet)}"
            delivery = replace(delivery, alert=replace(alert, message=message))
        notice = notice_of(delivery, sheet, reason, self.zone)
        notice = self._linked(
            replace(notice, body=in_units(notice.body, self.units)), f"batches/{alert.batch}"
        )
        finished = alert.kind is AlertKind.FINISHED and reason is Reason.FIRST
        if not finished or sheet is None or snapshot is None:
            return notice
        try:
            plan = plan_of(
                self.store,
                sheet,
                snapshot.evidence,
                self.now_ms(),
                phase=snapshot.phase,
                zone=self.zone,
            )
            text = as_text(plan, self.units, self.zone)
        except PackagedError as error:
            text = f"{error}."
        except InputError as error:
            hint = f" ({error.hint})" if error.hint else ""
            text = f"No plan could be worked out: {error}{hint}."
        return replace(notice, body=f"{notice.body}\n\n{text}")

    def digest(self, batches: frozenset[str]) -> Notice | None:
        """The digest of these open batches, of all where none are named; None where none is open."""
        sheets = self.store.batches.listed(only_open=True)
        names = {sheet.slug: sheet.name for sheet in sheets if not batches or sheet.slug in batches}
        if not names:
            return None
        standings = {one.batch: one.document for one in self.store.standings.listed()}
        notice = digest_notice(names, standings, zone=self.zone, now_ms=self.now_ms(), units=self.units)
        return self._linked(notice, "")

    def picture(self, slug: str) -> bytes | None:
        """The curve of a batch as PNG; None for a batch that is unknown or was never heard."""
        try:
            sheet = self.store.batches.get(slug)
        except NotFoundError:
            return None
        snapshot, now_ms = self.snapshots().get(slug), self.now_ms()
        view = chart(
            self.store,
            sheet,
            evidence=None if snapshot is None else snapshot.evidence,
            phases=self.phases(slug),
            journal=self.store.batches.journal(slug),
            now_ms=now_ms,
            width_px=PICTURE_PX[0],
        )
        if not view.level.time_ms and not view.temperature.time_ms:
            return None
        return picture_png(view, Show(self.units, self.zone, now_ms), *PICTURE_PX)

    def _linked(self, notice: Notice, path: str) -> Notice:
        if not self.public_url:
            return notice
        link = f"{self.public_url.rstrip('/')}/{path}"
        # the link stays whole where the words are long
        words = notice.body[: LONGEST_BODY - len(link) - 2]
        return replace(notice, body=f"{words}\n\n{link}")


def courier_for(
    store: Store,
    channels: Sequence[Channel],
    settings: Settings,
    *,
    snapshots: Callable[[], Mapping[str, Snapshot]],
    phases: Callable[[str], Sequence[PhaseChange]],
    now_ms: Callable[[], int],
) -> Courier:
    """The courier of a process that tells, beside those of others where the store is shared."""
    notify = settings.notify
    teller = Teller(
        store,
        snapshots=snapshots,
        phases=phases,
        now_ms=now_ms,
        units=UnitSystem(settings.display.units),
        zone=notify.zone,
        public_url=settings.web.public_url,
    )
    return Courier(
        store,
        channels,
        now_ms=now_ms,
        share=random.random,
        policy=replace(notify.policy, shared=store.claims.shared),
        routes=notify.routes,
        compose=teller.compose,
        digest=None if notify.daily is None else Digest(notify.daily, teller.digest),
        picture=teller.picture,
    )
