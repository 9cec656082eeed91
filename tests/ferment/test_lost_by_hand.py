"""A batch at rest that falls by hand samples alone ferments again, and is told as a float's is."""

from __future__ import annotations

import pytest

from monitor.checkpoint import sealed, unsealed
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Emission, Phase, Severity
from monitor.ferment.event import Event, JournalEntry, JournalKind, Reading, Tick
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Must, MustKind, Premise
from monitor.ferment.wording import by_hand_warning
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

PREMISE = Premise(0, Must(MustKind.HONEY, 1.050))


def day(value: float) -> int:
    """Milliseconds of a day."""
    return round(value * MS_PER_DAY)


def sample(taken: float, value: float, *, written: float | None = None) -> Reading:
    """A hand sample of a day, written down then or later."""
    known = taken if written is None else written
    return Reading("hand.porch", Quantity.SAMPLE_GRAVITY, day(taken), value, day(known))


def deed(kind: JournalKind, done: float) -> JournalEntry:
    """Something done on a day."""
    return JournalEntry(kind, day(done), day(done))


STABILISED, SWEETENED = deed(JournalKind.STABILISED, 25), deed(JournalKind.SWEETENED, 27)
PACKAGED = deed(JournalKind.PACKAGED, 41)
DRY = (sample(20, 1.000), sample(24, 1.000), STABILISED)
SWEET = (*DRY, SWEETENED, sample(27.1, 1.012))
BOTTLES = (*SWEET, PACKAGED)


def told(*events: Event, until: float, pipeline: Pipeline | None = None) -> tuple[Pipeline, list[Emission]]:
    """A pipeline that was told these in order of time, up to a day, and what it said."""
    pipeline = Pipeline(PREMISE) if pipeline is None else pipeline
    said: list[Emission] = []
    for event in (*sorted(events, key=lambda one: one.at_ms), Tick(day(until) + 1)):
        said += pipeline.step(event)
    return pipeline, said


def alerts(said: list[Emission]) -> list[AlertChange]:
    """What was told of fermenting again."""
    return [one for one in said if isinstance(one, AlertChange) and one.kind is AlertKind.REFERMENTING]


def test_bottles_that_fall_by_hand_samples_are_a_danger() -> None:
    """1.012 as sweetened, 1.004 and 1.002 weeks after packaging: told at the first, after the dwell."""
    pipeline, said = told(*BOTTLES, sample(56, 1.004), sample(60, 1.002), until=60.5)
    (alert,) = alerts(said)
    assert alert.state is AlertState.FIRING
    assert alert.severity is Severity.DANGER
    assert alert.at_ms == day(56) + 3 * MS_PER_HOUR
    assert "Fermenting again: has fallen 8.0 points in 29 days to 1.0040 by hand samples." in alert.message
    for words in ("Closed bottles can burst", "vent them with eye protection", "under an airlock"):
        assert words in alert.message
    snapshot = pipeline.snapshot
    assert snapshot.phase is Phase.REFERMENTING
    assert "fell 10.0 points in 33 days, from 1.0120 to 1.0020" in snapshot.reason
    (stands,) = (one for one in snapshot.open_alerts if one.kind is AlertKind.REFERMENTING)
    assert "has fallen 10.0 points in 33 days to 1.0020" in stands.message


def test_until_it_is_told_the_words_say_so() -> None:
    """At once after the sample: the reason, and what stands before the plan."""
    snapshot = told(*SWEET[:-1], sample(27.5, 1.010), sample(30.5, 1.006), until=30.55)[0].snapshot
    assert snapshot.phase is Phase.UNKNOWN
    assert "it fell 4.0 points in 3 days, from 1.0100 to 1.0060" in snapshot.reason
    assert "likely fermenting again" in snapshot.reason
    assert by_hand_warning(snapshot.evidence).startswith(
        "It is fermenting again: by hand samples it fell 4.0"
    )
    assert "Closed bottles can burst" in by_hand_warning(snapshot.evidence)


@pytest.mark.parametrize(
    ("later", "tells"),
    [
        ([(35, 1.0105)], False),
        ([(35, 1.010)], True),
        ([(35, 1.0108), (36, 1.0107)], True),
        ([(35, 1.0115), (36, 1.0106)], False),
        ([(35, 1.0135), (36, 1.012)], False),
        ([(35, 1.011), (44, 1.011)], False),
    ],
)
def test_two_points_tell_or_more_than_one_twice(later: list[tuple[float, float]], tells: bool) -> None:
    """A reading errs by less than a point: 1.012 and later ones."""
    at_rest = (*SWEET[:-1], sample(28, 1.012), *(sample(*one) for one in later))
    assert bool(alerts(told(*at_rest, until=later[-1][0] + 1)[1])) is tells


def test_honey_that_was_not_stirred_in_yet_is_allowed_for() -> None:
    """Read within six hours of the honey it takes three points, and the words say what else it may be."""
    early = (*SWEET[:-1], sample(27.1, 1.012))
    assert not alerts(told(*early, sample(30, 1.0095), until=31)[1])
    (alert,) = alerts(told(*early, sample(30, 1.009), until=31)[1])
    assert "what is not stirred in by then reads wrong" in alert.message


def test_what_was_only_stabilised_or_packaged_is_compared_with_how_it_stood() -> None:
    """Dry for four days and stabilised: three points below that are a fall, though no sample followed it."""
    (alert,) = alerts(told(*DRY, sample(40, 0.997), until=41)[1])
    assert "has fallen 3.0 points" in alert.message
    at_work = (sample(20, 1.010), STABILISED, sample(40, 1.004))
    assert not alerts(told(*at_work, until=41)[1])


def test_it_ends_when_samples_stand_for_a_week() -> None:
    """Four days are too few; after a week and the day that a float needs too, it rests again."""
    falls = (*BOTTLES, sample(56, 1.004), sample(60, 1.002))
    pipeline, said = told(*falls, sample(64, 1.002), until=66)
    assert [one.state for one in alerts(said)] == [AlertState.FIRING]
    said += told(sample(67, 1.002), until=69, pipeline=pipeline)[1]
    fired, over = alerts(said)
    assert (over.state, over.at_ms) == (AlertState.RESOLVED, day(68))
    assert over.fired_ms == fired.fired_ms
    assert pipeline.snapshot.phase is Phase.UNKNOWN
    assert "vessels that were closed by then still hold that gas" in pipeline.snapshot.reason
    said = told(sample(80, 1.000), until=81, pipeline=pipeline)[1]
    assert [one.state for one in alerts(said)] == [AlertState.FIRING]


def test_a_slip_of_the_pen_that_is_put_right_ends_it() -> None:
    """1.008 once, and 1.012 the day after: it stands where it stood."""
    slip = (*SWEET[:-1], sample(28, 1.012), sample(35, 1.008), sample(36, 1.012))
    assert [one.state for one in alerts(told(*slip, until=38)[1])] == [AlertState.FIRING, AlertState.RESOLVED]


def test_what_is_written_down_late_is_told_all_the_same() -> None:
    """A fall and ten days of standing still, all entered at once: closed vessels hold the gas of it."""
    late = (sample(56, 1.004, written=76), sample(66, 1.004, written=76.01))
    (alert,) = alerts(told(*BOTTLES, *late, until=77)[1])
    assert alert.state is AlertState.FIRING


def test_sweetening_again_begins_anew() -> None:
    """What lies on both sides of sugar is not compared."""
    again = (*DRY, SWEETENED, sample(28, 1.012), deed(JournalKind.SWEETENED, 30), sample(31, 1.009))
    assert not alerts(told(*again, until=32)[1])


@pytest.mark.parametrize(("risen", "later"), [(1.012, 1.004), (1.004, 1.000)])
def test_a_sample_that_was_written_down_before_the_sugar_is_of_the_sweetened_batch(
    risen: float, later: float
) -> None:
    """An hour before the entry it had risen already; without a rise it was taken before the sugar."""
    first = sample(27 - 1 / 24, risen)
    assert alerts(told(*DRY, first, SWEETENED, sample(40, later), until=41)[1])
    unrisen = sample(27 - 1 / 24, 1.001)
    assert not alerts(told(*DRY, unrisen, SWEETENED, sample(40, 0.998), until=41)[1])


def test_a_batch_that_nobody_put_to_rest_only_ferments() -> None:
    """The same samples without a deed."""
    falling = (sample(20, 1.012), sample(30, 1.004), sample(34, 1.002))
    assert not alerts(told(*falling, until=36)[1])


def test_a_float_that_is_heard_decides() -> None:
    """It stands at 1.012 while samples fall; half a day after it fell silent they count."""
    heard = [
        Reading("float", Quantity.GRAVITY, hour * MS_PER_HOUR, 1.012, hour * MS_PER_HOUR)
        for hour in range(27 * 24, 57 * 24)
    ]
    falls = (*BOTTLES, *heard, sample(56, 1.008), sample(56 + 23.9 / 24, 1.008))
    pipeline, said = told(*falls, until=57.4)
    assert not alerts(said)
    assert alerts(told(until=58, pipeline=pipeline)[1])


def test_a_float_whose_clock_is_behind_is_heard() -> None:
    """It dates what it sends by thirteen hours too early, and is not silent for that."""
    late_ms = 13 * MS_PER_HOUR
    heard = [
        Reading("float", Quantity.GRAVITY, hour * MS_PER_HOUR, 1.012, hour * MS_PER_HOUR + late_ms)
        for hour in range(27 * 24, 57 * 24)
    ]
    assert not alerts(told(*BOTTLES, *heard, sample(57 + 13 / 24, 1.008), until=57.8)[1])


def test_it_goes_on_from_a_checkpoint_word_for_word() -> None:
    """Put aside at any event, the fall that waits to be told or stands is told as by the whole."""
    events: list[Event] = [*BOTTLES, sample(56, 1.004), Tick(day(56.05)), sample(60, 1.002), Tick(day(61))]
    whole = Pipeline(PREMISE)
    said = [one for event in events for one in whole.step(event)]
    assert alerts(said)
    for cut in range(len(events)):
        first = Pipeline(PREMISE)
        before = [one for event in events[:cut] for one in first.step(event)]
        found = unsealed(sealed(first, []))
        assert found is not None
        after = [one for event in events[cut:] for one in found[0].step(event)]
        assert repr(before + after) == repr(said)
        assert repr(found[0].snapshot) == repr(whole.snapshot)
