"""What can be done by page and API alike: each writes to the store, then wakes the daemon and the pages."""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace

from monitor.batch import journal
from monitor.batch.expectation import Expectation
from monitor.batch.journal import Tasting
from monitor.batch.sheet import Sheet, require_pitched
from monitor.calibrating import keep_calibration
from monitor.errors import InputError, NotFoundError
from monitor.expecting import begin
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import JournalEntry, JournalKind, Reading
from monitor.last_words import doubt
from monitor.sensors.calibration import Calibration, Pair, fit_calibration
from monitor.store.alerts import LONGEST_SILENCE_DAYS
from monitor.store.values import Share, Silence, StoredAlert, Written
from monitor.units import MS_PER_HOUR
from monitor.web.ports import Ports

TOKEN_BYTES = 24
"""Random bytes in the token of a shared link."""


@dataclass(frozen=True, slots=True)
class WrittenSample(Reading):
    """A hand sample as it is kept, and what to say of it."""

    doubt: str
    """Why it may be wrong: it is far off the float; empty where nothing speaks against it."""


@dataclass(frozen=True, slots=True)
class Actions:
    """The deeds. Each raises InputError, NotFoundError or another StoreError and then has done nothing."""

    ports: Ports

    def sample(
        self,
        slug: str,
        *,
        reading_sg: float,
        sample_c: float,
        taken_ms: int,
        calibrated_at_c: float = 20.0,
    ) -> WrittenSample:
        """Write down a hydrometer sample, corrected for its temperature to 20 degC."""
        sheet = self.ports.store.batches.get(slug)
        now_ms = self.ports.now_ms()
        gravity = journal.corrected_sample_sg(
            reading_sg, sample_c, calibrated_at_c, sheet.must.original_gravity_sg
        )
        sample = journal.hand_sample(
            sheet, gravity_sg=round(gravity, 5), time_ms=taken_ms, received_ms=now_ms
        )
        said = doubt(self.ports.store, sheet, sample)
        if not self.ports.store.readings.record_sample(slug, sample):
            raise InputError("a sample of that very moment is written down already")
        self._tell(slug)
        return WrittenSample(**asdict(sample), doubt=said)

    def deed(self, slug: str, kind: JournalKind, *, done_ms: int, note: str = "") -> JournalEntry:
        """Write down something that was done."""
        written = journal.entry(kind, done_ms=done_ms, at_ms=self.ports.now_ms(), note=note)
        journal.require_of_batch(self.ports.store.batches.get(slug), "done", written.done_ms)
        self.ports.store.batches.write_down(slug, written)
        self._tell(slug)
        return written

    def tasting(self, slug: str, tasting: Tasting, *, done_ms: int) -> JournalEntry:
        """Write down how it tasted."""
        return self.deed(slug, JournalKind.NOTE, done_ms=done_ms, note=tasting.note())

    def take_back(self, slug: str, name: str) -> Written:
        """Let an entry or a hand sample count for nothing; it stays on record, the batch is judged anew."""
        struck = self.ports.store.notebook.take_back(slug, name, at_ms=self.ports.now_ms())
        self._tell(slug)
        return struck

    def start(self, sheet: Sheet, *, learning: bool = True) -> tuple[Sheet, Expectation | None]:
        """Start a batch, with what earlier ones let expect unless the sheet says it or `learning` is off."""
        require_pitched(sheet, self.ports.now_ms())
        begun = begin(self.ports.store, sheet, at_ms=self.ports.now_ms(), learning=learning)
        self._tell(sheet.slug)
        return begun

    def rewrite(self, slug: str, change: Callable[[Sheet], Sheet]) -> Sheet:
        """Replace a batch's sheet by what `change` makes of it as it stands, an end set just now included."""
        now_ms = self.ports.now_ms()

        def checked(before: Sheet) -> Sheet:
            sheet = change(before)
            require_pitched(sheet, now_ms)
            return sheet

        sheet = self.ports.store.batches.change(slug, checked, at_ms=now_ms)
        self._tell(slug)
        return sheet

    def tie(self, slug: str, sensor: str, role: str) -> Sheet:
        """Put a sensor into a batch: believed for `gravity`, for `temperature`, for `both`, or as `other`."""
        if role not in ("gravity", "temperature", "both", "other"):
            raise InputError(f"role {role!r}: gravity, temperature, both or other")

        def tied(sheet: Sheet) -> Sheet:
            if role in ("gravity", "both"):
                sheet = replace(sheet, gravity_sensor=sensor)
            if role in ("temperature", "both"):
                sheet = replace(sheet, temperature_sensor=sensor)
            if role == "other":
                sheet = replace(sheet, other_sensors=tuple(dict.fromkeys((*sheet.other_sensors, sensor))))
            return sheet

        return self.rewrite(slug, tied)

    def end(self, slug: str, *, ended_ms: int | None = None) -> Sheet:
        """End a batch and free its sensors."""
        now_ms = self.ports.now_ms()
        over_ms = now_ms if ended_ms is None else journal.past_ms("ended", ended_ms, now_ms)
        sheet = self.ports.store.batches.end(slug, ended_ms=over_ms, at_ms=now_ms)
        self._tell(slug)
        return sheet

    def acknowledge(self, alert_id: int) -> StoredAlert:
        """Say that somebody has seen an alert."""
        stored = self.ports.store.alerts.acknowledge(alert_id, at_ms=self.ports.now_ms())
        self._tell(stored.batch, "alert")
        return stored

    def silence(
        self, *, hours: float, batch: str | None = None, kind: AlertKind | None = None, note: str = ""
    ) -> Silence:
        """Hold notices back for some hours; a silence ends by itself."""
        if not 0 < hours <= LONGEST_SILENCE_DAYS * 24:
            raise InputError(f"quiet for {hours:g} hours: more than 0, {LONGEST_SILENCE_DAYS} days at most")
        now_ms = self.ports.now_ms()
        made = self.ports.store.alerts.silence(
            from_ms=now_ms, until_ms=now_ms + round(hours * MS_PER_HOUR), batch=batch, kind=kind, note=note
        )
        self._tell(batch or "", "alert")
        return made

    def lift(self, silence_id: int) -> None:
        """End a silence now."""
        self.ports.store.alerts.lift(silence_id, at_ms=self.ports.now_ms())
        self._tell("", "alert")

    def share(self, slug: str) -> tuple[Share, str]:
        """Open a link to one batch; the token is told now and never again."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        share = self.ports.store.shares.make(slug, digest=digest(token), at_ms=self.ports.now_ms())
        return share, token

    def revoke(self, share_id: int) -> None:
        """Take a link back."""
        self.ports.store.shares.revoke(share_id, at_ms=self.ports.now_ms())

    def fitted(self, sensor: str, pairs: Iterable[Pair], valid_from_ms: int) -> Calibration:
        """The calibration that follows from pairs, not kept yet; CalibrationError where none does."""
        self.check_heard(sensor)
        return fit_calibration(sensor, pairs, valid_from_ms)

    def check_heard(self, sensor: str) -> None:
        """NotFoundError where no sensor of this name was ever heard."""
        if not self.ports.store.readings.heard([sensor]):
            raise NotFoundError(f"no sensor {sensor!r} was ever heard")

    def calibrate(self, calibration: Calibration) -> Calibration:
        """Keep a calibration, and compute gravities anew from when it holds."""
        keep_calibration(self.ports.store, calibration, self.ports.now_ms())
        self._tell("", "sensor")
        return calibration

    def _tell(self, slug: str, topic: str = "batch") -> None:
        self.ports.changed(slug)
        position = self.ports.store.changes.position()
        self.ports.broadcast.publish(topic, f"change-{position}", {"batch": slug})


def digest(token: str) -> str:
    """What is kept of a shared link's token; it has 192 random bits, so a plain hash is enough."""
    return hashlib.sha256(token.encode()).hexdigest()
