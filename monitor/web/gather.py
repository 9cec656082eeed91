"""From the store and the snapshots to what a page shows."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final, TypeVar

from monitor.batch.journal import tasting_of
from monitor.batch.schedule import DueKind, due
from monitor.batch.sheet import Sheet
from monitor.batch.standing import finish_of
from monitor.batch.strength import attenuated
from monitor.calibrating import sensors_beyond
from monitor.ferment.alert import AlertPolicy
from monitor.ferment.doubt import Doubt
from monitor.ferment.emission import AlertKind, AlertState, Interval, Phase, PhaseChange
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.evidence import Evidence
from monitor.ferment.pipeline import Snapshot
from monitor.ferment.wording import fall_per_day
from monitor.last_words import LastWords, doubt_words, doubted, last_words
from monitor.planning import level_sg
from monitor.store.values import FiringCount, Heard, Silence, StoredAlert, Written
from monitor.units import MS_PER_DAY, POINTS_PER_SG, Quantity
from monitor.web import words
from monitor.web.course import Believed, believed_among, small_curve
from monitor.web.history import Past
from monitor.web.ports import Ports
from monitor.web.view import AlertView, BatchView, DueView, JournalView, SensorView

DUE_WITHIN_MS: Final = 3 * MS_PER_DAY
NOT_JUDGED: Final = "Nothing can be said yet: no reading has come in."
HAS_ENDED: Final = "This batch has ended."
NUTRIENT_UNTIL: Final = AlertPolicy().nutrient_latest_share
NUTRIENT_OVERDUE_MS: Final = 5 * MS_PER_DAY
PORTION: Final = 500
"""So many that a database takes their names in one statement."""

One = TypeVar("One")


@dataclass(frozen=True, slots=True)
class Standing:
    """A sheet with what the analysis says of it."""

    sheet: Sheet
    snapshot: Snapshot | None
    phases: Sequence[PhaseChange]
    journal: Sequence[JournalEntry]

    @property
    def evidence(self) -> Evidence | None:
        """What the judgement rests on; None where nothing was judged."""
        return None if self.snapshot is None else self.snapshot.evidence

    @property
    def phase(self) -> Phase:
        """What it was judged to be at last."""
        return Phase.UNKNOWN if self.snapshot is None else self.snapshot.phase


def standing(ports: Ports, past: Past, slug: str) -> Standing:
    """Where one batch stands; NotFoundError for an unknown one.

    What the daemon does not watch is told from the store, up to the batch's end: that takes a second.
    """
    return _standing(ports, past, ports.store.batches.get(slug))


def standings_of(ports: Ports, sheets: Iterable[Sheet], *, portion: int = PORTION) -> list[Standing]:
    """Where these batches stand, in the order given; those that have ended are not judged again.

    The store is asked for so many at once.
    """
    snapshots = ports.snapshots()
    found: list[Standing] = []
    for part in _portions(sheets, portion):
        journals = ports.store.batches.journals([one.slug for one in part])
        for one in part:
            snapshot = snapshots.get(one.slug) if one.open else None
            found.append(Standing(one, snapshot, ports.phases(one.slug), journals[one.slug]))
    return found


def unjudged(ports: Ports, slug: str) -> Standing:
    """One batch, not judged again where it has ended; NotFoundError for an unknown one."""
    return _standing(ports, None, ports.store.batches.get(slug))


def _standing(ports: Ports, past: Past | None, sheet: Sheet) -> Standing:
    journal = ports.store.batches.journal(sheet.slug)
    # what others judge is known here a little longer than the batch is open
    snapshot = ports.snapshots().get(sheet.slug) if sheet.open else None
    if snapshot is None and past is not None and not sheet.open:
        told = past.of(sheet.slug, ports.now_ms())
        return Standing(sheet, told.snapshot, told.phases, journal)
    return Standing(sheet, snapshot, ports.phases(sheet.slug), journal)


def batch_view(ports: Ports, stands: Standing) -> BatchView:
    """One batch as a page shows it."""
    (view,) = batch_views(ports, [stands])
    return view


def batch_views(
    ports: Ports, stands: Iterable[Standing], *, drawn: bool = True, portion: int = PORTION
) -> tuple[BatchView, ...]:
    """Batches as a page shows them, in the order given; what can be is asked for so many of them at once.

    `drawn` says whether the small curve is wanted: it is the dearest part.
    """
    silences = ports.store.alerts.silences(ports.now_ms())
    views: list[BatchView] = []
    for part in _portions(stands, portion):
        heard = _heard(ports, [one.sheet for one in part], portion)
        alerts = _open_alerts(ports, [one.sheet for one in part if one.sheet.open], silences)
        views += (_batch_view(ports, one, heard, alerts.get(one.sheet.slug, ()), drawn=drawn) for one in part)
    return tuple(views)


def _heard(ports: Ports, sheets: Iterable[Sheet], portion: int) -> dict[tuple[str, Quantity], Heard]:
    names = dict.fromkeys(sensor for sheet in sheets for sensor in sheet.sensors)
    return {
        (one.sensor, one.quantity): one
        for part in _portions(names, portion)
        for one in ports.store.readings.heard(part)
    }


def _open_alerts(
    ports: Ports, sheets: Sequence[Sheet], silences: Sequence[Silence]
) -> dict[str, tuple[AlertView, ...]]:
    snapshots = ports.snapshots()
    found: dict[str, list[AlertView]] = {sheet.slug: [] for sheet in sheets}
    names = {sheet.slug: sheet.name for sheet in sheets}
    for one in ports.store.alerts.firing_in(names) if names else ():
        found[one.batch].append(_alert(one, names[one.batch], silences, snapshots.get(one.batch)))
    return {slug: _by_urgency(views) for slug, views in found.items()}


def _batch_view(
    ports: Ports,
    stands: Standing,
    heard: Mapping[tuple[str, Quantity], Heard],
    alerts: tuple[AlertView, ...],
    *,
    drawn: bool,
) -> BatchView:
    sheet, snapshot, evidence = stands.sheet, stands.snapshot, stands.evidence
    now_ms = sheet.ended_ms or ports.now_ms()
    sensors = believed_among(sheet, heard)
    last = _last_of(sheet, heard, sensors.gravity, Quantity.GRAVITY)
    word = _word(ports, stands, sensors, None if last is None else last.last_value)
    original = sheet.must.original_gravity_sg
    unmoved = snapshot is not None and snapshot.is_unmoved
    made = None if unmoved else attenuated(sheet, word.gravity_sg, word.added_points)
    fall = None if snapshot is None else _known(fall_per_day(snapshot.phase, snapshot.evidence))
    return BatchView(
        slug=sheet.slug,
        name=sheet.name,
        recipe=sheet.recipe,
        pitched_ms=sheet.pitched_ms,
        ended_ms=sheet.ended_ms,
        phase=stands.phase,
        reason=_reason(sheet, snapshot),
        volume_l=sheet.must.volume_l,
        original_gravity_sg=original,
        gravity_sg=word.gravity_sg,
        sampled_ms=word.sampled_ms,
        gravity_at_ms=None if last is None else last.last_time_ms,
        last_reading_sg=None if last is None else last.last_value,
        fall_points_per_day=fall,
        alcohol_percent=None if made is None else made.abv,
        attenuation=None if made is None else made.apparent_attenuation,
        temperature_c=_temperature(
            heard, sensors, sheet, None if evidence is None else evidence.temperature_c
        ),
        yeast_c=sheet.yeast.temperature_c,
        final_gravity_sg=_final(snapshot),
        finish_at_ms=Interval() if snapshot is None else finish_of(snapshot),
        due=_due(sheet, stands.journal, evidence, now_ms),
        alerts=alerts,
        curve=small_curve(
            ports.store, sensors.gravity, sheet.pitched_ms, now_ms, offset_points=word.offset_points
        )
        if drawn
        else (),
    )


def alert_views(
    ports: Ports, sheets: Iterable[Sheet], *, slug: str | None = None, only_open: bool = True
) -> tuple[AlertView, ...]:
    """Alerts of one batch or of all, the most urgent and newest first."""
    now_ms = ports.now_ms()
    names = {sheet.slug: sheet.name for sheet in sheets}
    silences = ports.store.alerts.silences(now_ms)
    found = ports.store.alerts.listed(batch=slug, only_firing=only_open)
    snapshots = ports.snapshots()
    return _by_urgency(
        _alert(one, names.get(one.batch, one.batch), silences, snapshots.get(one.batch)) for one in found
    )


def _by_urgency(views: Iterable[AlertView]) -> tuple[AlertView, ...]:
    order = list(words.SEVERITY)
    return tuple(sorted(views, key=lambda one: (not one.is_open, order.index(one.severity), -one.fired_ms)))


def unseen(ports: Ports) -> int:
    """How many open alerts nobody has seen or hushed."""
    silences = ports.store.alerts.silences(ports.now_ms())
    return sum(one.unseen for one in ports.store.alerts.firing() if not hushed(one, silences))


def hushed(one: FiringCount, silences: Sequence[Silence]) -> bool:
    """Whether somebody asked for quiet about these alerts."""
    return any(quiet.covers(one.batch, one.kind, one.severity) for quiet in silences)


def _alert(
    stored: StoredAlert, name: str, silences: Sequence[Silence], snapshot: Snapshot | None
) -> AlertView:
    hushed = [one.until_ms for one in silences if one.covers(stored.batch, stored.kind, stored.severity)]
    # what stands is told by today's figures, as the phase beside it is
    now = None if snapshot is None else snapshot.words_of(stored.kind, stored.subject, stored.fired_ms)
    resolved_ms = stored.resolved_ms
    if resolved_ms is None and stored.state is AlertState.RESOLVED:
        resolved_ms = stored.fired_ms
    return AlertView(
        number=stored.id,
        batch=stored.batch,
        batch_name=name,
        kind=stored.kind,
        severity=stored.severity,
        subject=stored.subject,
        message=stored.message if now is None else now,
        fired_ms=stored.fired_ms,
        resolved_ms=resolved_ms,
        acknowledged_ms=stored.acknowledged_ms,
        silenced_until_ms=max(hushed) if hushed and resolved_ms is None else None,
    )


def sensor_views(ports: Ports, names: Iterable[str] | None = None) -> tuple[SensorView, ...]:
    """Sensors by name, all that were ever heard or those named; hand samples are no sensor."""
    named = None if names is None else tuple(names)
    heard: dict[str, list[Heard]] = {name: [] for name in named or ()}
    for one in ports.store.readings.heard(named):
        if one.quantity is not Quantity.SAMPLE_GRAVITY:
            heard.setdefault(one.sensor, []).append(one)
    silent = ports.store.alerts.subjects(AlertKind.SENSOR_SILENT)
    calibrated = ports.store.calibrations.sensors()
    angled = (one for name in heard.keys() & calibrated for one in heard[name])
    beyond = sensors_beyond(ports.store, angled)
    return tuple(
        _sensor(
            name,
            found,
            silent=name in silent,
            calibrated=name in calibrated,
            beyond_calibration=name in beyond,
        )
        for name, found in sorted(heard.items())
    )


def free_sensor_views(ports: Ports) -> tuple[SensorView, ...]:
    """Sensors that stand in no open batch, by name."""
    free = ports.store.readings.unassigned()
    return sensor_views(ports, {one.sensor for one in free if one.quantity is not Quantity.SAMPLE_GRAVITY})


def _sensor(name: str, found: Sequence[Heard], **found_out: bool) -> SensorView:
    last = {one.quantity: one.last_value for one in found}
    return SensorView(
        name=name,
        quantities=tuple(one.quantity for one in found),
        last_heard_ms=max((one.last_received_ms for one in found), default=None),
        battery_percent=last.get(Quantity.BATTERY),
        battery_v=last.get(Quantity.BATTERY_VOLTAGE),
        signal_dbm=last.get(Quantity.SIGNAL),
        last_values=tuple(last.items()),
        **found_out,
    )


def journal_views(ports: Ports, slug: str, *, struck: bool = False) -> tuple[JournalView, ...]:
    """Deeds, tastings and hand samples, the newest first; with `struck` what was taken back too."""
    written = ports.store.notebook.listed(slug)
    lines = [journal_view(one) for one in written if struck or one.struck_ms is None]
    if any(one.sample_sg is not None and one.struck_ms is None for one in lines):
        found = doubted(ports.store, ports.store.batches.get(slug))
        lines = [_in_doubt(one, found) for one in lines]
    return tuple(sorted(lines, key=lambda line: (-line.done_ms, line.number)))


def _in_doubt(line: JournalView, found: Mapping[int, Doubt]) -> JournalView:
    if line.sample_sg is None or line.struck_ms is not None or line.done_ms not in found:
        return line
    return replace(line, doubt=doubt_words(found[line.done_ms]))


def journal_view(written: Written) -> JournalView:
    """One line of the journal."""
    what, name, struck_ms = written.what, written.name, written.struck_ms
    if isinstance(what, Reading):
        title = f"Hand sample {what.value:.4f}"
        return JournalView(name, title, what.time_ms, sample_sg=what.value, struck_ms=struck_ms)
    tasting = tasting_of(what)
    title = words.DEED[what.kind] if tasting is None else "Tasted"
    note = what.note if tasting is None else what.note.removeprefix("tasted ")
    return JournalView(name, title, what.done_ms, note, struck_ms=struck_ms)


def samples_of(ports: Ports, sheet: Sheet) -> tuple[tuple[int, float], ...]:
    """Times and gravities of a batch's hand samples since it was pitched, the oldest first."""
    found = ports.store.readings.read(
        [sheet.hand_sensor],
        quantities=[Quantity.SAMPLE_GRAVITY],
        from_ms=sheet.pitched_ms,
        to_ms=(sheet.ended_ms or ports.now_ms()) + 1,
    )
    return tuple(sorted(zip(found.time_ms.tolist(), found.value.tolist(), strict=True)))


def _due(
    sheet: Sheet, journal: Sequence[JournalEntry], evidence: Evidence | None, now_ms: int
) -> tuple[DueView, ...]:
    """What is due soon; nutrient no more once a third of the expected fall is done."""
    late = False
    if evidence is not None:
        whole = evidence.fallen_points + evidence.left_p50
        late = evidence.fallen_points > NUTRIENT_UNTIL * whole  # False for nan
    return tuple(
        DueView(one.at_ms, one.text)
        for one in due(sheet, journal)
        if one.at_ms <= now_ms + DUE_WITHIN_MS
        and not (one.kind is DueKind.NUTRIENT and (late or now_ms - one.at_ms > NUTRIENT_OVERDUE_MS))
    )


def _reason(sheet: Sheet, snapshot: Snapshot | None) -> str:
    if snapshot is not None:
        return snapshot.reason
    return NOT_JUDGED if sheet.open else HAS_ENDED


def _word(ports: Ports, stands: Standing, sensors: Believed, last_sg: float | None) -> LastWords:
    """Where a batch stands, or stood at its end; `last_sg` is what its float said last."""
    sheet, evidence = stands.sheet, stands.evidence
    if not sheet.open:
        return last_words(ports.store, sheet, sensors.gravity, stands.journal)
    if evidence is None:
        return LastWords(None, None, 0.0, math.nan)
    level = level_sg(evidence, last_sg)
    return LastWords(level, evidence.by_hand_ms, evidence.offset_points, evidence.added_points)


def _last_of(
    sheet: Sheet, heard: Mapping[tuple[str, Quantity], Heard], sensor: str | None, quantity: Quantity
) -> Heard | None:
    """What a sensor said last, unless that was before this batch was pitched: then it was of another."""
    last = None if sensor is None else heard.get((sensor, quantity))
    return None if last is None or last.last_time_ms < sheet.pitched_ms else last


def _temperature(
    heard: Mapping[tuple[str, Quantity], Heard], sensors: Believed, sheet: Sheet, hourly_c: float | None
) -> float | None:
    if sheet.open and sensors.temperature is not None:
        last = _last_of(sheet, heard, sensors.temperature, Quantity.TEMPERATURE)
        if last is not None:
            return last.last_value
    return None if hourly_c is None else _known(hourly_c)


def _final(snapshot: Snapshot | None) -> Interval:
    if snapshot is None:
        return Interval()
    evidence = snapshot.evidence
    return Interval(_sg(evidence.final_p05), _sg(evidence.final_p50), _sg(evidence.final_p95))


def _portions(many: Iterable[One], portion: int) -> Iterator[list[One]]:
    rest = iter(many)
    while part := list(islice(rest, portion)):
        yield part


def _sg(points: float) -> float | None:
    return None if math.isnan(points) else 1.0 + points / POINTS_PER_SG


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
