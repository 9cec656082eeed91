"""The pipeline from the outside: events in, emissions out."""

from __future__ import annotations

import math
import pickle
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.cellar.infusion import infusion_plan
from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Emission,
    Forecast,
    Phase,
    PhaseChange,
    Severity,
)
from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.pipeline import LONGEST_MS, MOMENT_MS, Analysis, Pipeline
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.ferment.verdict import Thresholds
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, Quantity

START_MS = 1_767_463_200_000
MakeFerment = Callable[..., list[Event]]


def emissions(events: list[Event], premise: Premise) -> list[Emission]:
    """All that a fresh pipeline says of these events."""
    pipeline = Pipeline(premise)
    return [said for event in events for said in pipeline.step(event)]


def fired(said: list[Emission], kind: AlertKind) -> list[AlertChange]:
    """The alerts of a kind that began to fire."""
    return [e for e in said if isinstance(e, AlertChange) and e.kind is kind and e.state is AlertState.FIRING]


def hours_of(alert: AlertChange) -> float:
    """Hours from pitching to the alert."""
    return (alert.at_ms - START_MS) / MS_PER_HOUR


class TestVerdicts:
    """What is told of plain ferments."""

    def test_a_plain_ferment_is_finished_once_and_in_time(
        self, make_ferment: MakeFerment, premise: Premise
    ) -> None:
        """A first-order ferment is told as finished once, within two and a half days of its last point."""
        told = fired(emissions(make_ferment(), premise), AlertKind.FINISHED)
        assert len(told) == 1
        # 46 exp(-(t - 24)/36) is 2 points at 137 h and 1 point at 162 h
        assert 137.0 < hours_of(told[0]) < 162.0 + 60.0
        assert "hand sample" in told[0].message
        assert "stabilise" in told[0].message

    def test_a_stop_high_up_is_a_stall(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """A ferment that stops 16 points above its end is called stalled, never finished."""
        said = emissions(make_ferment(days=9.0, stop_points=16.0), premise)
        # 46 exp(-(t - 24)/36) is 16 points at 62 h
        assert 62.0 < hours_of(fired(said, AlertKind.STALLED)[0]) < 62.0 + 72.0
        assert not fired(said, AlertKind.FINISHED)

    def test_phases_follow_the_course(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """A plain ferment goes through lag, active, slowing and finished, in this order, each once."""
        phases = [e.phase for e in emissions(make_ferment(), premise) if isinstance(e, PhaseChange)]
        assert phases == [Phase.LAG, Phase.ACTIVE, Phase.SLOWING, Phase.FINISHED]

    def test_forecasts_come_at_least_every_six_hours(
        self, make_ferment: MakeFerment, premise: Premise
    ) -> None:
        """From the first drop of three points until finished, no two forecasts are over six hours apart."""
        times = [e.at_ms for e in emissions(make_ferment(), premise) if isinstance(e, Forecast)]
        assert len(times) > 20
        assert max(np.diff(times)) <= 6 * MS_PER_HOUR

    def test_going_again_after_sweetening_is_a_danger(
        self, make_ferment: MakeFerment, premise: Premise
    ) -> None:
        """A point a day lost after sweetening is told within three days, as a danger, with the cautions."""
        rng = np.random.default_rng(8)
        events = make_ferment(days=10.0)[:-1]
        done_ms = START_MS + 10 * MS_PER_DAY
        events.append(JournalEntry(JournalKind.STABILISED, done_ms, done_ms))
        events.append(JournalEntry(JournalKind.SWEETENED, done_ms, done_ms))
        for step in range(6 * 48):
            at_ms = done_ms + step * 30 * MS_PER_MINUTE
            value = 1.007 - step / 48.0 / 1000.0 + float(rng.normal(0.0, 0.0006))
            events.append(Reading("float-a", Quantity.GRAVITY, at_ms, value, at_ms))
        told = fired(emissions(events, premise), AlertKind.REFERMENTING)
        assert len(told) == 1
        assert told[0].severity is Severity.DANGER
        assert told[0].at_ms - done_ms < 3 * MS_PER_DAY
        assert "burst" in told[0].message

    def test_rest_after_sweetening_is_no_danger(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """A batch that rests after sweetening is not said to ferment again."""
        rng = np.random.default_rng(9)
        events = make_ferment(days=10.0)[:-1]
        done_ms = START_MS + 10 * MS_PER_DAY
        events.append(JournalEntry(JournalKind.SWEETENED, done_ms, done_ms))
        for step in range(8 * 48):
            at_ms = done_ms + step * 30 * MS_PER_MINUTE
            value = 1.007 + float(rng.normal(0.0, 0.0006))
            events.append(Reading("float-a", Quantity.GRAVITY, at_ms, value, at_ms))
        assert not fired(emissions(events, premise), AlertKind.REFERMENTING)

    @pytest.mark.parametrize("per_day", [0.0, 0.7, 1.5])
    def test_a_sweetening_that_nobody_wrote_down_is_watched_too(
        self, make_ferment: MakeFerment, premise: Premise, per_day: float
    ) -> None:
        """Nine points up after the end, by no entry: what it loses since is told before 3.5 points are gone,
        the reason asks for the entry, and a batch that rests is let be."""
        rng = np.random.default_rng(10)
        events = make_ferment(days=12.0)[:-1]
        done_ms = START_MS + 12 * MS_PER_DAY
        for step in range(10 * 48):
            at_ms = done_ms + step * 30 * MS_PER_MINUTE
            points = 9.0 - per_day * max(step / 48.0 - 1.0, 0.0) + float(rng.normal(0.0, 0.6))
            events.append(Reading("float-a", Quantity.GRAVITY, at_ms, 0.9985 + points / 1000.0, at_ms))
        pipeline = Pipeline(premise)
        said = [one for event in events for one in pipeline.step(event)]
        assert len(fired(said, AlertKind.FINISHED)) == 1
        told = fired(said, AlertKind.REFERMENTING)
        assert "journal does not say why" in pipeline.snapshot.reason
        if per_day == 0.0:
            assert not told
            assert pipeline.snapshot.phase is Phase.FINISHED
        else:
            assert per_day * ((told[0].at_ms - done_ms) / MS_PER_DAY - 1.0) < 3.5
            assert pipeline.snapshot.phase is Phase.REFERMENTING


class TestSensors:
    """Silence, wrong clocks, other names, hand samples."""

    def test_silence_counts_from_pitching(self, premise: Premise) -> None:
        """A float that lay silent before this must was pitched is not missed at once; one that spoke after
        pitching, before the batch was entered, is missed from then on."""
        for heard_h, missed_h in ((-14, 13), (2, 15)):
            pipeline = Pipeline(replace(premise, gravity_sensor="float-a"))
            heard_ms = premise.pitched_ms + heard_h * MS_PER_HOUR
            pipeline.step(Reading("float-a", Quantity.GRAVITY, heard_ms, 1.043, heard_ms))
            said = pipeline.step(Tick(premise.pitched_ms + 24 * MS_PER_HOUR))
            silent = fired(said, AlertKind.SENSOR_SILENT)
            assert [one.fired_ms - premise.pitched_ms for one in silent] == [missed_h * MS_PER_HOUR]

    def test_silence_is_told_and_holds_the_verdict(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """A float that dies half-way is told as silent, by name; nothing is called finished or stalled."""
        events: list[Event] = [
            e for e in make_ferment() if isinstance(e, Tick) or e.at_ms < START_MS + 3 * MS_PER_DAY
        ]
        said = emissions(events, premise)
        told = fired(said, AlertKind.SENSOR_SILENT)
        assert [alert.subject for alert in told] == ["float-a"]
        assert not fired(said, AlertKind.FINISHED)
        assert not fired(said, AlertKind.STALLED)

    @pytest.mark.parametrize("off_ms", [20 * MS_PER_MINUTE, 9 * MS_PER_DAY, -5 * 365 * MS_PER_DAY])
    def test_a_clock_that_is_wrong_for_good_changes_nothing(
        self, make_ferment: MakeFerment, premise: Premise, off_ms: int
    ) -> None:
        """A float a little or far ahead, or years behind, is judged by when its readings arrive."""
        events = make_ferment(days=9.0)
        wrong = [
            replace(event, time_ms=event.received_ms + off_ms) if isinstance(event, Reading) else event
            for event in events
        ]
        right = [
            replace(event, time_ms=event.received_ms) if isinstance(event, Reading) else event
            for event in events
        ]
        said = emissions(wrong, premise)
        assert said == emissions(right, premise)
        assert fired(said, AlertKind.FINISHED)

    def test_a_clock_of_another_zone_is_judged_all_the_same(
        self, make_ferment: MakeFerment, premise: Premise
    ) -> None:
        """Floats whose clocks are seven hours behind are all told as finished, half a day off in the median.

        Not each of them: where the chance hovers at the limit for days, a little decides on which it is told.
        """
        off_ms = []
        for seed in range(1, 8):
            events = make_ferment(days=11.0, seed=seed)
            behind = [
                replace(event, time_ms=event.time_ms - 7 * MS_PER_HOUR)
                if isinstance(event, Reading)
                else event
                for event in events
            ]
            (right,) = fired(emissions(events, premise), AlertKind.FINISHED)
            (told,) = fired(emissions(behind, premise), AlertKind.FINISHED)
            off_ms.append(abs(told.at_ms - right.at_ms))
        assert np.median(off_ms) <= 12 * MS_PER_HOUR
        assert max(off_ms) <= 72 * MS_PER_HOUR

    def test_what_is_days_old_when_it_comes_finishes_nothing(
        self, make_ferment: MakeFerment, premise: Premise
    ) -> None:
        """The end of a ferment that is heard of two days late, all at once, says nothing of today."""
        events = make_ferment(days=9.0)
        last_ms = max(event.at_ms for event in events)
        late = [
            replace(event, received_ms=last_ms + 2 * MS_PER_DAY) if isinstance(event, Reading) else event
            for event in events
        ]
        late.append(Tick(last_ms + 2 * MS_PER_DAY + 3 * MS_PER_HOUR))
        assert not fired(emissions(sorted(late, key=lambda event: event.at_ms), premise), AlertKind.FINISHED)

    def test_doubled_readings_change_nothing(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """Every reading delivered twice says what every reading delivered once says."""
        events = make_ferment(days=9.0)
        doubled = [event for event in events for _ in range(2)]
        assert emissions(doubled, premise) == emissions(events, premise)

    def test_order_within_an_hour_does_not_matter(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """Readings that arrive together, in any order, say the same."""
        events = make_ferment(days=8.0)
        by_hour: dict[int, list[Event]] = {}
        for event in events:
            hour_ms = -(-event.at_ms // MOMENT_MS) * MOMENT_MS
            late = replace(event, received_ms=hour_ms) if isinstance(event, Reading) else event
            by_hour.setdefault(hour_ms, []).append(late)
        forward = [event for hour in sorted(by_hour) for event in by_hour[hour]]
        backward = [event for hour in sorted(by_hour) for event in by_hour[hour][::-1]]
        named = replace(premise, gravity_sensor="float-a", temperature_sensor="float-a")
        assert emissions(forward, named) == emissions(backward, named)

    def test_other_floats_are_not_believed(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """Where a float is named, another float in the same batch says nothing."""
        named = replace(premise, gravity_sensor="float-a", temperature_sensor="float-a")
        events = make_ferment(days=8.0)
        stranger = [replace(e, sensor="float-b", value=1.04) for e in events if isinstance(e, Reading)]
        mixed = sorted([*stranger, *events], key=lambda e: e.at_ms)
        assert emissions(mixed, named) == emissions(events, named)

    def test_a_hand_sample_moves_the_level(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """After a sample four points above the float, the level is some three or four points higher."""
        events = make_ferment(days=5.0)
        at_ms = events[-2].at_ms
        plain, sampled = Pipeline(premise), Pipeline(premise)
        for event in events[:-1]:
            plain.step(event)
            sampled.step(event)
        low = plain.snapshot.evidence.level_points
        sampled.step(Reading("hand", Quantity.SAMPLE_GRAVITY, at_ms, 1.0 + (low + 4.0) / 1000.0, at_ms))
        assert 2.5 < sampled.snapshot.evidence.level_points - low < 5.0


class TestZero:
    """Zero is a reading."""

    def test_zero_degrees_is_cold(self, make_ferment: MakeFerment, premise: Premise) -> None:
        """A must at exactly 0 degC is told as too cold."""
        events = [
            replace(e, value=0.0) if isinstance(e, Reading) and e.quantity is Quantity.TEMPERATURE else e
            for e in make_ferment(days=2.0)
        ]
        assert len(fired(emissions(events, premise), AlertKind.TEMPERATURE_LOW)) == 1

    def test_gravity_of_water_is_a_reading(self, premise: Premise) -> None:
        """A float that reads exactly 1.000 (0 degP) has a level of 0 points, which is known."""
        pipeline = Pipeline(premise)
        for step in range(100):
            at_ms = START_MS + step * 30 * MS_PER_MINUTE
            pipeline.step(Reading("float-a", Quantity.GRAVITY, at_ms, 1.0, at_ms))
        assert abs(pipeline.snapshot.evidence.level_points) < 0.3
        assert pipeline.snapshot.phase is not Phase.UNKNOWN


class TestDue:
    """What is due by the calendar."""

    def test_nutrient_is_due_a_day_after_pitching(self, premise: Premise) -> None:
        """With no nutrient in the journal it is due at 24 hours, whatever the float says."""
        told = fired(emissions([Tick(START_MS + 3 * MS_PER_DAY)], premise), AlertKind.NUTRIENT_DUE)
        assert [24.0 <= hours_of(a) <= 25.0 for a in told] == [True]

    def test_nutrient_given_is_not_asked_for(self, premise: Premise) -> None:
        """A nutrient entry in the first day keeps the alert away; a wort of malt needs none."""
        fed = JournalEntry(JournalKind.NUTRIENT, START_MS + MS_PER_HOUR, START_MS + MS_PER_HOUR)
        end = Tick(START_MS + 3 * MS_PER_DAY)
        assert not fired(emissions([fed, end], premise), AlertKind.NUTRIENT_DUE)
        malt = replace(premise, must=Must(kind=MustKind.MALT))
        assert not fired(emissions([end], malt), AlertKind.NUTRIENT_DUE)

    def test_an_infusion_is_due_until_it_is_out(self, premise: Premise) -> None:
        """An infusion is told at each date that the calculator gives, and resolved when it is taken out."""
        inside = JournalEntry(JournalKind.INFUSION_IN, START_MS, START_MS)
        out_ms = START_MS + 60 * MS_PER_DAY
        out = JournalEntry(JournalKind.INFUSION_OUT, out_ms, out_ms)
        said = emissions([inside, out], premise)
        told = [e for e in said if isinstance(e, AlertChange) and e.kind is AlertKind.INFUSION_DUE]
        assert [e.state for e in told] == [AlertState.FIRING, AlertState.RESOLVED] * 3
        dates = [reminder.day for reminder in infusion_plan(10.0, 1.0).reminders]
        days = [(e.fired_ms - START_MS) / MS_PER_DAY for e in told[::2]]
        assert days == [dates[0], dates[-2], dates[-1]]
        assert [e.message.partition(":")[0] for e in told[::2]] == [
            "Taste the infusion",
            "The infusion's usual time is over",
            "Take the infusion out now",
        ]
        assert told[-1].at_ms == out_ms


def test_a_batch_that_is_too_old_to_be_judged_says_so(premise: Premise) -> None:
    """With its last look, 400 days after pitching, the reason says that no other is to come."""
    pipeline = Pipeline(premise)
    last_ms = START_MS + LONGEST_MS
    pipeline.step(Tick(last_ms))
    assert "not any more" not in pipeline.snapshot.reason
    pipeline.step(Tick(last_ms + 1))
    assert pipeline.snapshot.evidence.at_ms == last_ms
    assert "judged for 400 days from pitching and is not any more" in pipeline.snapshot.reason
    pipeline.step(Tick(last_ms + 9 * MS_PER_DAY))
    assert pipeline.snapshot.evidence.at_ms == last_ms


def test_a_pipeline_can_be_put_away_and_taken_out(make_ferment: MakeFerment, premise: Premise) -> None:
    """A pickled pipeline goes on exactly where it was."""
    events = make_ferment(days=6.0)
    pipeline = Pipeline(premise)
    for event in events[:400]:
        pipeline.step(event)
    other = pickle.loads(pickle.dumps(pipeline))  # noqa: S301
    assert [pipeline.step(e) for e in events[400:]] == [other.step(e) for e in events[400:]]


def test_thresholds_fit_nothing(make_ferment: MakeFerment, premise: Premise) -> None:
    """Evidence is the same whatever the thresholds: what is fitted never hangs on a verdict."""
    strict = Analysis(thresholds=Thresholds(finished_doubt=0.0, stalled_doubt=0.0))
    usual, other = Pipeline(premise), Pipeline(premise, strict)
    for event in make_ferment(days=9.0):
        usual.step(event)
        other.step(event)
        assert repr(usual.snapshot.evidence) == repr(other.snapshot.evidence)
    assert other.snapshot.phase is not Phase.FINISHED


@st.composite
def streams(draw: st.DrawFn) -> list[Event]:
    """A short, unruly stream: late, doubled, misdated, impossible and missing readings, deeds and samples."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    pace = draw(st.sampled_from([8.0, 20.0, 60.0]))
    events: list[Event] = []
    for step in range(draw(st.integers(20, 160))):
        time_ms = START_MS + round(step * 45 * MS_PER_MINUTE + rng.uniform(0, 20) * MS_PER_MINUTE)
        if rng.random() < 0.08:
            continue
        value = 0.998 + 0.045 * math.exp(-step / pace) + float(rng.normal(0.0, 0.001))
        late_ms = round(float(rng.exponential(3.0)) * MS_PER_HOUR) if rng.random() < 0.2 else 0
        if rng.random() < 0.05:
            value, time_ms = float(rng.choice([math.nan, 2.0, 0.0])), time_ms + 9 * MS_PER_HOUR
        for quantity, v in (
            (Quantity.GRAVITY, value),
            (Quantity.TEMPERATURE, 18.0 + 6.0 * math.sin(step / 16.0)),
        ):
            events += [Reading("f", quantity, time_ms, v, time_ms + late_ms)] * (
                2 if rng.random() < 0.1 else 1
            )
        if rng.random() < 0.03:
            kind = list(JournalKind)[int(rng.integers(len(JournalKind)))]
            events.append(JournalEntry(kind, time_ms - MS_PER_HOUR, time_ms + 5))
        if rng.random() < 0.02:
            events.append(Reading("hand", Quantity.SAMPLE_GRAVITY, time_ms, value, time_ms + 7))
    return sorted(events, key=lambda e: e.at_ms)


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(stream=streams(), share=st.floats(0.0, 1.0))
def test_a_stream_cut_anywhere_says_what_the_whole_says(
    premise: Premise, stream: list[Event], share: float
) -> None:
    """Emissions up to T follow from events up to T: a cut stream says exactly the beginning of the whole."""
    end_ms = stream[-1].at_ms + MS_PER_HOUR
    cut_ms = START_MS + round(share * (end_ms - START_MS))
    whole = emissions([*stream, Tick(end_ms)], premise)
    part = emissions([e for e in stream if e.at_ms <= cut_ms] + [Tick(cut_ms + 1)], premise)
    assert part == [e for e in whole if e.at_ms <= cut_ms]
    assert all(a.at_ms <= b.at_ms for a, b in pairwise(whole))


def test_precedents_are_looked_up_at_each_refit_and_at_once_after_a_hand_sample(
    make_ferment: MakeFerment, premise: Premise
) -> None:
    """Near its end the doubt stands for three looks, and a hand sample changes it at the same moment."""
    pipeline = Pipeline(premise)
    doubts = []
    for event in make_ferment(days=7.0):
        pipeline.step(event)
        doubts.append((pipeline.snapshot.at_ms // MS_PER_HOUR, pipeline.snapshot.evidence.unfinished))
    by_hour = dict(doubts)
    late = [by_hour[hour] for hour in sorted(by_hour)][-24:]
    changes = sum(a != b for a, b in pairwise(late))
    assert 6 <= changes <= 8
    now_ms = START_MS + 7 * MS_PER_DAY
    before = pipeline.snapshot.evidence.unfinished
    pipeline.step(Reading("hand", Quantity.SAMPLE_GRAVITY, now_ms, 1.020, now_ms))
    assert pipeline.snapshot.evidence.unfinished != before


def test_sugar_that_went_in_makes_more_alcohol_and_a_lower_end(
    make_ferment: MakeFerment, premise: Premise
) -> None:
    """Fifteen points added on day three and never written down: over a point and a half less at the end."""
    strong = replace(premise, yeast=Yeast(alcohol_tolerance_abv=14.0))
    fed_ms = START_MS + 3 * MS_PER_DAY

    def fed(event: Event) -> Event:
        if isinstance(event, Reading) and event.quantity is Quantity.GRAVITY and event.time_ms >= fed_ms:
            hours = (event.time_ms - fed_ms) / MS_PER_HOUR
            return replace(event, value=event.value + 0.015 * math.exp(-hours / 36.0))
        return event

    found = []
    for events in (make_ferment(), [fed(event) for event in make_ferment()]):
        pipeline = Pipeline(strong)
        for event in events:
            pipeline.step(event)
        found.append(pipeline.snapshot.evidence)
    plain, sweet = found
    assert sweet.expected_points < plain.expected_points - 1.5
    # 131 times the drop is the trade's quick rule for alcohol (common practice)
    assert plain.alcohol_room_abv - sweet.alcohol_room_abv == pytest.approx(0.131 * 15.0, abs=0.3)
