"""The store, in the words of those who use it, with what each promises when it fails.

Every method raises StoreUnavailableError when the database cannot be reached, is locked by another
program for too long, or has no room: then nothing of the call was kept and the same call may work later.
Any other StoreError means that the call itself cannot succeed. Methods may be called from any thread.
Times are Unix milliseconds, given by the caller: a store has no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Protocol

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.skew import TimeFlag
from monitor.store.base_history import Chronicle, Forwarding
from monitor.store.judging import Changes, Checkpoints, Claims, Standings
from monitor.store.values import (
    Claim,
    Committed,
    Delivery,
    FaultCount,
    FiringCount,
    Heard,
    Place,
    Quarantined,
    Refused,
    Series,
    Share,
    Silence,
    StoredAlert,
    StoredCalibration,
    Thinned,
    Written,
)
from monitor.units import Quantity


class Readings(Protocol):
    """Readings of all sensors. The key (sensor, quantity, time) is kept once: the first value stays."""

    def commit(
        self, arrived: Sequence[Reading], *, flags: Sequence[TimeFlag] = (), refused: Sequence[Refused] = ()
    ) -> Committed:
        """Keep readings and refused messages in one transaction: durable when this returns.

        `flags` says of each reading whether its time can be believed; without them all can. StoreError
        for a value that is not finite or a sensor name that cannot be kept: such a message belongs into
        quarantine.
        """
        ...

    def put_behind(
        self, batch: str, measured: Sequence[Reading], *, flags: Sequence[TimeFlag] = (), at_ms: int
    ) -> Committed:
        """Keep readings of a time gone by, and in the same transaction have the batch judged anew.

        The batch itself stays as it is. It is judged anew even if all of them were there already.
        """
        ...

    def record_sample(self, batch: str, sample: Reading) -> bool:
        """Keep a hand sample and note the change; False if it was there already."""
        ...

    def replace_derived(self, derived: Sequence[Reading], *, at_ms: int) -> None:
        """Write values computed from other readings over what was computed before."""
        ...

    def read(
        self,
        sensors: Iterable[str],
        *,
        quantities: Iterable[Quantity] | None = None,
        from_ms: int | None = None,
        to_ms: int | None = None,
        received_from_ms: int | None = None,
        received_to_ms: int | None = None,
    ) -> Series:
        """Readings within the bounds, both ends included, in order of arrival."""
        ...

    def after(self, position: int, limit: int) -> Series:
        """The next readings of all sensors by position."""
        ...

    def position(self) -> int:
        """The position of the newest reading; 0 where there is none."""
        ...

    def thinned(self, sensor: str, quantity: Quantity, from_ms: int, to_ms: int, buckets: int) -> Thinned:
        """Least, mean and greatest sound value of each of `buckets` stretches; the end is not included."""
        ...

    def heard(self, sensors: Iterable[str] | None = None) -> list[Heard]:
        """Every quantity of every sensor, or of these, with what came last."""
        ...

    def sensors(self) -> list[str]:
        """Names of all sensors that were ever heard, in order; hand samples are no sensor."""
        ...

    def unassigned(self) -> list[Heard]:
        """The same for sensors that no open batch names."""
        ...


class Batches(Protocol):
    """Sheets and journals. NotFoundError wherever a slug is unknown."""

    def start(self, sheet: Sheet, *, at_ms: int) -> None:
        """Add a batch; InputError if the slug or one of its believed sensors is taken."""
        ...

    def update(self, sheet: Sheet, *, at_ms: int) -> None:
        """Replace a sheet; InputError if one of its believed sensors is taken."""
        ...

    def change(self, slug: str, change: Callable[[Sheet], Sheet], *, at_ms: int) -> Sheet:
        """Replace a sheet by what is made of it, in one transaction; errors as for `update`."""
        ...

    def end(self, slug: str, *, ended_ms: int, at_ms: int) -> Sheet:
        """End a batch and free its sensors."""
        ...

    def get(self, slug: str) -> Sheet:
        """One sheet."""
        ...

    def listed(self, *, only_open: bool = False) -> list[Sheet]:
        """Sheets in order of pitching."""
        ...

    def from_youngest(self, limit: int, *, after: Place | None = None, only_open: bool) -> list[Sheet]:
        """So many sheets behind a place, the youngest first."""
        ...

    def past_first(self, limit: int, *, skipping: int) -> list[Sheet]:
        """Some sheets of all: those that have ended, then the others, the youngest first."""
        ...

    def ended_count(self) -> int:
        """How many have ended."""
        ...

    def open_slugs(self) -> Sequence[str]:
        """Names of the open batches, the youngest first."""
        ...

    def named(self, slugs: Sequence[str]) -> list[Sheet]:
        """The sheets of these batches in the order given; what is not there is left out."""
        ...

    def owners(self, sensors: Collection[str] | None = None) -> dict[str, tuple[str, ...]]:
        """Sensor to the slugs of the open batches that its readings belong to."""
        ...

    def write_down(self, slug: str, entry: JournalEntry) -> None:
        """Add a journal entry."""
        ...

    def journal(self, slug: str) -> list[JournalEntry]:
        """The journal in order of entry, without what was taken back."""
        ...

    def journals(self, slugs: Collection[str]) -> dict[str, list[JournalEntry]]:
        """The journals of these batches."""
        ...

    def readings(self, slug: str) -> Series:
        """All readings of a batch in order of arrival."""
        ...

    def events(
        self, slug: str, *, after: int = 0, entries: int = 0, samples: int = 0
    ) -> Iterator[Reading | JournalEntry]:
        """Readings and journal of a batch in order of arrival, to rebuild a pipeline from.

        With readings after a position only, and without the first entries and hand samples, they are what
        a pipeline lacks that has taken in so much.
        """
        ...

    def notes(self, slug: str, *, entries: int, samples: int) -> Iterator[Reading | JournalEntry]:
        """Journal entries and hand samples after the first so many of each that were written."""
        ...


class Notebook(Protocol):
    """What the maker wrote down of a batch, hand samples too, each under a name of its own."""

    def listed(self, slug: str) -> list[Written]:
        """Everything in order of entry, what was taken back too; NotFoundError without the batch."""
        ...

    def take_back(self, slug: str, name: str, *, at_ms: int) -> Written:
        """Let one of them count for nothing; NotFoundError where it is not there, or no more."""
        ...


class Alerts(Protocol):
    """Alerts and silences. (batch, kind, subject, fired_ms) names one alert for ever."""

    def record(
        self,
        batch: str,
        change: AlertChange,
        *,
        channels: Sequence[str] = (),
        now_ms: int,
        again: bool = False,
        claim: Claim | None = None,
    ) -> StoredAlert | None:
        """Keep a change and, with it, a delivery for each channel; None where it was known already.

        With `again` an alert that was over fires once more.

        ClaimLostError, and nothing kept, where the claim that is given holds no more.
        """
        ...

    def get(self, alert_id: int) -> StoredAlert:
        """One alert; NotFoundError."""
        ...

    def listed(
        self, *, batch: str | None = None, only_firing: bool = False, limit: int = 200
    ) -> list[StoredAlert]:
        """Alerts, the newest first."""
        ...

    def firing_in(self, slugs: Collection[str]) -> list[StoredAlert]:
        """What fires in these batches, the newest first."""
        ...

    def subjects(self, kind: AlertKind) -> set[str]:
        """What alerts of a kind fire about."""
        ...

    def firing(self) -> list[FiringCount]:
        """What fires in each batch, counted by kind and severity."""
        ...

    def acknowledge(self, alert_id: int, *, at_ms: int) -> StoredAlert:
        """Someone has seen it; the first time stays. NotFoundError."""
        ...

    def withdraw(self, alert_id: int, *, at_ms: int, why: str, claim: Claim | None = None) -> None:
        """Resolve an alert that the pipeline knows no more; nobody is told. NotFoundError, ClaimLostError."""
        ...

    def silence(
        self,
        *,
        from_ms: int,
        until_ms: int,
        batch: str | None = None,
        kind: AlertKind | None = None,
        note: str = "",
    ) -> Silence:
        """Hold notices back until a time; None stands for every batch or kind."""
        ...

    def silences(self, now_ms: int) -> list[Silence]:
        """Silences in force."""
        ...

    def lift(self, silence_id: int, *, at_ms: int) -> None:
        """End a silence now; NotFoundError."""
        ...

    def prune_silences(self, before_ms: int) -> int:
        """Forget silences that ended before a time."""
        ...


class Outbox(Protocol):
    """Deliveries of notices: each is open until it is sent or dropped."""

    def reserve(self, delivery: Delivery, *, until_ms: int) -> bool:
        """Keep an open delivery from others until a time; False where another was quicker."""
        ...

    def due(self, now_ms: int, *, channel: str | None = None, limit: int = 50) -> list[Delivery]:
        """Open deliveries that are due, of one channel or of all, the longest due first."""
        ...

    def waiting(self, *, limit: int = 200) -> list[Delivery]:
        """All open deliveries."""
        ...

    def next_due_ms(self, channel: str | None = None) -> int | None:
        """When the next open delivery falls due."""
        ...

    def mark_sent(self, delivery: Delivery, *, at_ms: int, remind_at_ms: int | None = None) -> None:
        """It was accepted; with `remind_at_ms` a reminder falls due then."""
        ...

    def mark_failed(self, delivery_id: int, *, error: str, next_due_ms: int) -> None:
        """It was not accepted and is tried again at `next_due_ms`."""
        ...

    def postpone(self, delivery_id: int, *, due_ms: int) -> None:
        """Look at it again later; not counted as an attempt."""
        ...

    def drop(self, delivery_id: int, *, why: str, at_ms: int) -> None:
        """It is not to be sent any more."""
        ...

    def drop_channels_but(self, channels: list[str], *, at_ms: int) -> int:
        """Drop what waits for channels that are configured no more."""
        ...

    def prune(self, before_ms: int) -> int:
        """Forget settled deliveries of alerts resolved before a time."""
        ...


class Quarantine(Protocol):
    """Messages that could not be understood; they enter by `Readings.commit`."""

    def listed(self, limit: int = 100, *, kind: str | None = None) -> list[Quarantined]:
        """The newest that are kept, newest first."""
        ...

    def counts(self) -> list[FaultCount]:
        """How many of each kind there ever were."""
        ...

    def clear(self) -> int:
        """Throw the messages away, keep the counts."""
        ...


class Calibrations(Protocol):
    """Calibrations by sensor and validity date."""

    def record(self, calibration: StoredCalibration) -> None:
        """Keep one; the same sensor and validity date replaces."""
        ...

    def at(self, sensor: str, time_ms: int) -> StoredCalibration | None:
        """The one that is valid for a reading of this time."""
        ...

    def listed(self, sensor: str | None = None) -> list[StoredCalibration]:
        """All, or those of one sensor."""
        ...

    def sensors(self) -> set[str]:
        """The sensors that have one."""
        ...


class Shares(Protocol):
    """Links by which others may look at one batch, kept by the digest of their token."""

    def make(self, batch: str, *, digest: str, at_ms: int) -> Share:
        """Open a link; NotFoundError without the batch, InputError when too many are open."""
        ...

    def find(self, digest: str) -> Share:
        """The open link with this digest; NotFoundError."""
        ...

    def listed(self, batch: str, *, limit: int = 100) -> list[Share]:
        """Links of a batch, the newest first."""
        ...

    def revoke(self, share_id: int, *, at_ms: int) -> None:
        """Take a link back; NotFoundError."""
        ...


class Store(Protocol):
    """Everything that carboyd keeps."""

    @property
    def readings(self) -> Readings: ...

    @property
    def batches(self) -> Batches: ...

    @property
    def notebook(self) -> Notebook: ...

    @property
    def alerts(self) -> Alerts: ...

    @property
    def outbox(self) -> Outbox: ...

    @property
    def quarantine(self) -> Quarantine: ...

    @property
    def calibrations(self) -> Calibrations: ...

    @property
    def shares(self) -> Shares: ...

    @property
    def standings(self) -> Standings: ...

    @property
    def claims(self) -> Claims: ...

    @property
    def checkpoints(self) -> Checkpoints: ...

    @property
    def changes(self) -> Changes: ...

    @property
    def chronicle(self) -> Chronicle: ...

    @property
    def forwarding(self) -> Forwarding: ...

    def tidy(self) -> None:
        """Work for a quiet moment; safe at any time."""
        ...

    def log_bytes(self) -> int:
        """Size of what is written but not yet folded into the file; 0 where there is no such thing."""
        ...

    def backup(self, target: Path) -> None:
        """Write a sound copy of everything to a file that does not exist yet, while work goes on."""
        ...

    def close(self) -> None:
        """Fold everything into the file and let go of it."""
        ...
