"""What a store takes and gives: values without behaviour."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from monitor.ferment.emission import AlertKind, AlertState, Phase, Severity
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.skew import TimeFlag
from monitor.units import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

FLAG_NUMBER: Final[dict[TimeFlag, int]] = {TimeFlag.OK: 0, TimeFlag.FUTURE: 1, TimeFlag.ANCIENT: 2}
"""How a flag is kept."""


@dataclass(frozen=True, slots=True)
class Committed:
    """What became of one batch of arrivals."""

    stored: int
    """Readings that were new."""
    duplicates: int
    """Readings whose key (sensor, quantity, time) was there already; the first one stays."""
    quarantined: int


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that could not be understood, as it came."""

    received_ms: int
    topic: str
    payload: bytes
    kind: str
    """Short stable word by which such faults are counted."""
    reason: str
    field: str = ""


@dataclass(frozen=True, slots=True)
class Quarantined:
    """A refused message as it is kept."""

    id: int
    refused: Refused
    payload_bytes: int
    """Size of the message as it came; more than what is kept of it where it was very long."""


@dataclass(frozen=True, slots=True)
class FaultCount:
    """How often messages were refused for one kind of fault, those that are gone included."""

    kind: str
    count: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where a batch stands among all from the youngest to the oldest."""

    pitched_ms: int
    slug: str


@dataclass(frozen=True, slots=True)
class Heard:
    """One quantity of one sensor, and what came last."""

    sensor: str
    quantity: Quantity
    first_received_ms: int
    last_received_ms: int
    last_time_ms: int
    last_value: float


@dataclass(frozen=True, slots=True)
class Series:
    """Readings as columns of equal length, in the order in which they arrived.

    `position` int64 (grows with arrival, never used twice), `source` int64 (index into `sources`),
    `time_ms` int64, `value` float64 in the kept unit, `received_ms` int64, `flag` int64 (see `FLAG_NUMBER`).
    """

    sources: tuple[tuple[str, Quantity], ...]
    position: NDArray[np.int64]
    source: NDArray[np.int64]
    time_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    received_ms: NDArray[np.int64]
    flag: NDArray[np.int64]

    def __len__(self) -> int:
        """How many readings there are."""
        return len(self.position)

    def readings(self) -> Iterator[Reading]:
        """The readings one by one, in order of arrival."""
        columns = zip(
            self.source.tolist(),
            self.time_ms.tolist(),
            self.value.tolist(),
            self.received_ms.tolist(),
            strict=True,
        )
        for source, time_ms, value, received_ms in columns:
            sensor, quantity = self.sources[source]
            yield Reading(sensor, quantity, time_ms, value, received_ms)


@dataclass(frozen=True, slots=True)
class Thinned:
    """A series thinned for a chart: one row for each stretch of time that has sound readings."""

    start_ms: NDArray[np.int64]
    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    maximum: NDArray[np.float64]
    count: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class StoredAlert:
    """An alert and what people did about it."""

    id: int
    batch: str
    kind: AlertKind
    subject: str
    severity: Severity
    state: AlertState
    fired_ms: int
    message: str
    resolved_ms: int | None = None
    resolved_message: str = ""
    acknowledged_ms: int | None = None


@dataclass(frozen=True, slots=True)
class FiringCount:
    """How many alerts of a kind and severity fire in one batch."""

    batch: str
    kind: AlertKind
    severity: Severity
    unseen: int
    """Of these, not acknowledged."""
    count: int


@dataclass(frozen=True, slots=True)
class Silence:
    """A hush that ends by itself; None stands for every batch or every kind."""

    id: int
    batch: str | None
    kind: AlertKind | None
    from_ms: int
    until_ms: int
    note: str = ""

    def covers(self, batch: str, kind: AlertKind, severity: Severity) -> bool:
        """Whether it was asked for such alerts of this batch; its time plays no part.

        A danger passes a silence of every kind: whoever asks for quiet does not mean that.
        """
        if self.kind is None and severity is Severity.DANGER:
            return False
        return self.batch in (None, batch) and self.kind in (None, kind)


class Occasion(StrEnum):
    """Why a notice is to be sent."""

    FIRING = "firing"
    REMINDER = "reminder"
    RESOLVED = "resolved"


@dataclass(frozen=True, slots=True)
class Delivery:
    """One notice still to be sent to one channel."""

    id: int
    alert: StoredAlert
    channel: str
    occasion: Occasion
    turn: int
    """0 for the first notice, then the number of the reminder."""
    due_ms: int
    attempts: int
    last_error: str
    told: bool
    """Whether this channel has accepted a notice that the alert fires, and none since that it is over."""


class ChangeKind(StrEnum):
    """What another process may have changed."""

    BATCH = "batch"
    JOURNAL = "journal"
    SAMPLE = "sample"
    CALIBRATION = "calibration"
    REDERIVED = "rederived"
    ACKNOWLEDGED = "acknowledged"
    SILENCE = "silence"


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that was changed, in the order of the changes."""

    position: int
    kind: ChangeKind
    subject: str
    """The batch's slug, the sensor, or the id of the alert or silence."""
    at_ms: int


@dataclass(frozen=True, slots=True)
class Written:
    """Something that the maker wrote down of a batch: a journal entry, or a hand sample as a reading."""

    name: str
    """`entry-12` or `sample-345`, for ever."""
    what: JournalEntry | Reading
    struck_ms: int | None = None
    """When it was taken back; since then it counts for nothing."""


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """A calibration as its owner wrote it; the store does not look inside."""

    sensor: str
    valid_from_ms: int
    entered_ms: int
    document: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Share:
    """A link by which somebody may look at one batch."""

    id: int
    batch: str
    created_ms: int
    revoked_ms: int | None = None


@dataclass(frozen=True, slots=True)
class StoredStanding:
    """Where a batch stood at the last look; the store does not look inside the documents."""

    batch: str
    at_ms: int
    document: dict[str, Any]
    """For people and programs: what goes out over MQTT."""
    told: dict[str, Any] | None = None
    """For another process of ours: the snapshot with its evidence, and the phases."""


@dataclass(frozen=True, slots=True)
class Claim:
    """The right of one member to judge one batch; `epoch` grows each time the batch changes hands."""

    batch: str
    member: str
    epoch: int


@dataclass(frozen=True, slots=True)
class Roll:
    """Who judges at this moment."""

    members: int
    """Members whose lease runs."""
    batches: int
    """Batches to be judged."""
    held: tuple[Claim, ...]
    """What the member that asks holds, in order of the batches' names."""


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """A pipeline as it stood once it had taken in so much; the store does not look inside the body."""

    batch: str
    digest: str
    """Of everything that must be the same for the body to be of use."""
    position: int
    """Readings up to this one had been taken in."""
    entries: int
    """Journal entries taken in."""
    samples: int
    """Hand samples taken in."""
    body: bytes


@dataclass(frozen=True, slots=True)
class Level:
    """What was measured of a batch at one look."""

    batch: str
    at_ms: int
    phase: Phase
    numbers: Mapping[str, float]
    """By name with its unit, such as `gravity_sg`; what is not known is left out."""


@dataclass(frozen=True, slots=True)
class PhaseStep:
    """A batch went into another phase."""

    batch: str
    at_ms: int
    phase: Phase
    reason: str


class AlertMoment(StrEnum):
    """What can happen to an alert, each once."""

    FIRING = "firing"
    ACKNOWLEDGED = "acknowledged"
    RESOLVED = "resolved"


@dataclass(frozen=True, slots=True)
class AlertStep:
    """Something happened to an alert."""

    alert: StoredAlert
    moment: AlertMoment
    at_ms: int


class Feed(StrEnum):
    """What is forwarded, each with a position of its own."""

    LEVELS = "levels"
    PHASES = "phases"
    ALERTS = "alerts"
    READINGS = "readings"


@dataclass(frozen=True, slots=True)
class SetAside:
    """A line that the server will not have, and why."""

    feed: Feed
    position: int
    line: str
    reason: str
    at_ms: int


@dataclass(frozen=True, slots=True)
class ForwardState:
    """How far forwarding to one target has come."""

    target: str
    waiting: Mapping[Feed, int]
    """How many are not forwarded yet, counted up to `COUNTED`."""
    oldest_ms: int | None
    """When the reading that has waited longest arrived; None where none waits."""
    accepted_ms: int | None
    trouble: str
    trouble_ms: int | None
    set_aside: int
