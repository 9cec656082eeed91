"""The notice that a ferment has finished carries its worked-out plan, and each notice a link to its batch."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from monitor.batch.sheet import Sheet
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_sheet import Plan
from monitor.cellar.plan_text import as_text
from monitor.cellar.shown import UnitSystem
from monitor.errors import InputError
from monitor.ferment.emission import AlertKind
from monitor.ferment.pipeline import Snapshot
from monitor.notify.notice import LONGEST_BODY, Notice, notice_of
from monitor.planning import facts_by, level_sg, measured_sg
from monitor.store.base import Store
from monitor.store.values import Delivery, Occasion

Compose = Callable[[Delivery, Sheet | None], Notice]


def composer(
    store: Store,
    snapshots: Callable[[], Mapping[str, Snapshot]],
    units: UnitSystem,
    now_ms: Callable[[], int],
    public_url: str = "",
) -> Compose:
    """Words for a delivery; a finished batch gets its plan below them, or what is missing for one.

    `public_url` is where the page is reached from outside; empty means no link.
    """

    def compose(delivery: Delivery, sheet: Sheet | None) -> Notice:
        notice = _linked(notice_of(delivery, sheet), delivery, public_url)
        finished = delivery.alert.kind is AlertKind.FINISHED and delivery.occasion is Occasion.FIRING
        snapshot = snapshots().get(delivery.alert.batch)
        if not finished or sheet is None or snapshot is None:
            return notice
        try:
            text = as_text(plan_of(store, sheet, snapshot, now_ms()), units)
        except InputError as error:
            hint = f" ({error.hint})" if error.hint else ""
            text = f"No plan could be worked out: {error}{hint}."
        return replace(notice, body=f"{notice.body}\n\n{text}")

    return compose


def _linked(notice: Notice, delivery: Delivery, public_url: str) -> Notice:
    if not public_url:
        return notice
    link = f"{public_url.rstrip('/')}/batches/{delivery.alert.batch}"
    # the link stays whole where the words are long
    words = notice.body[: LONGEST_BODY - len(link) - 2]
    return replace(notice, body=f"{words}\n\n{link}")


def plan_of(store: Store, sheet: Sheet, snapshot: Snapshot, now_ms: int) -> Plan:
    """The plan of a batch as its snapshot stands; InputError naming what has to be known first."""
    evidence = snapshot.evidence
    gravity_sg = measured_sg(store, sheet, level_sg(evidence), now_ms)
    return plan_for(facts_by(sheet, store.batches.journal(sheet.slug), evidence, gravity_sg), now_ms)
