"""Verdicts over time: what one look after another says."""

from __future__ import annotations

import dataclasses
import math

import pytest

from monitor.ferment.alert import AlertPolicy
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Emission, Phase
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import Evidence
from monitor.ferment.judge import Judge
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.ferment.verdict import Thresholds
from monitor.units import MS_PER_HOUR

from . import states

START_MS = 1_767_463_200_000
PREMISE = Premise(pitched_ms=START_MS, must=Must(kind=MustKind.HONEY, original_gravity_sg=1.050))
RESTING = dataclasses.replace(states.RESTING, at_ms=START_MS)
FALLING = dataclasses.replace(
    RESTING,
    slope_day=-6.0,
    slope_two=-6.0,
    slope_four=-6.0,
    slope_seven=-6.0,
    slowed_hours=0.0,
    left_p50=30.0,
)


def told(judge: Judge, looks: list[Evidence], begin: int = 0) -> list[Emission]:
    """What is said of hourly looks."""
    said: list[Emission] = []
    for hour, e in enumerate(looks, begin):
        said += judge.look(dataclasses.replace(e, at_ms=START_MS + hour * MS_PER_HOUR), [])
    return said


def finishes(said: list[Emission]) -> list[tuple[int, AlertState]]:
    """Hour and state of each change of the finished alert."""
    return [
        ((s.at_ms - START_MS) // MS_PER_HOUR, s.state)
        for s in said
        if isinstance(s, AlertChange) and s.kind is AlertKind.FINISHED
    ]


def test_a_finish_is_told_once_after_its_dwell() -> None:
    """It fires at the look at which the dwell is full, and is not told again while it lasts."""
    policy = AlertPolicy()
    said = told(Judge(PREMISE, Thresholds(), policy), [RESTING] * 60)
    assert finishes(said) == [(int(policy.finished_dwell), AlertState.FIRING)]


def test_a_break_in_the_rest_starts_the_dwell_anew() -> None:
    """One look at which it is not done, an hour before the dwell is full, puts the finish off."""
    dwell = int(AlertPolicy().finished_dwell)
    looks = [RESTING] * (dwell - 1) + [FALLING] + [RESTING] * 30
    assert finishes(told(Judge(PREMISE, Thresholds(), AlertPolicy()), looks)) == [
        (2 * dwell, AlertState.FIRING)
    ]


def test_a_float_gone_silent_leaves_verdict_and_reason_standing() -> None:
    """After the finish an unknown level resolves nothing and the reason keeps its numbers."""
    judge = Judge(PREMISE, Thresholds(), AlertPolicy())
    told(judge, [RESTING] * 30)
    reason = judge.reason
    silent = Evidence(at_ms=START_MS, hours_in=600.0)
    assert finishes(told(judge, [silent] * 48, begin=30)) == []
    assert judge.phase is Phase.FINISHED
    assert judge.reason == reason
    assert "nan" not in reason


def test_silence_before_the_end_is_no_finish() -> None:
    """A ferment whose float dies while it falls is never called finished or stalled."""
    judge = Judge(PREMISE, Thresholds(), AlertPolicy())
    said = told(judge, [FALLING] * 30 + [dataclasses.replace(RESTING, data_age_hours=40.0)] * 100)
    kinds = {s.kind for s in said if isinstance(s, AlertChange)}
    assert not kinds & {AlertKind.FINISHED, AlertKind.STALLED}


def test_nutrient_that_was_too_late_once_does_not_become_due_again() -> None:
    """The fall so far is measured: about the share from which nutrient is too late it goes up and down."""
    policy = AlertPolicy()
    edge = policy.nutrient_latest_share * (FALLING.start_points - FALLING.expected_points)
    looks = [
        dataclasses.replace(FALLING, hours_in=30.0, fallen_points=edge + off)
        for off in (-1.0, 0.5, -0.5, 0.5, -0.5)
    ]
    said = [
        s.state
        for s in told(Judge(PREMISE, Thresholds(), policy), looks)
        if isinstance(s, AlertChange) and s.kind is AlertKind.NUTRIENT_DUE
    ]
    assert said == [AlertState.FIRING, AlertState.RESOLVED]


def test_a_stall_that_creeps_to_its_end_is_told_as_finished() -> None:
    """A stall whose last points go too slowly to be seen as a restart does not stand for good: once it is
    done, and no longer stuck, it is over, and the end is told after its own dwell."""
    policy = AlertPolicy()
    stuck = dataclasses.replace(RESTING, level_points=15.0, fallen_points=35.0, left_p50=12.0, unfinished=0.9)
    judge = Judge(PREMISE, Thresholds(), policy)
    said = told(judge, [stuck] * 48)
    assert judge.phase is Phase.STALLED
    said += told(judge, [RESTING] * 48, begin=48)
    stalls = [s for s in said if isinstance(s, AlertChange) and s.kind is AlertKind.STALLED]
    assert [s.state for s in stalls] == [AlertState.FIRING, AlertState.RESOLVED]
    assert stalls[1].message == "It rests where it may well end."
    over = 48 + int(policy.clear_dwell)
    assert finishes(said) == [(over + int(policy.finished_dwell) + 1, AlertState.FIRING)]


def test_a_week_of_rest_ends_no_stall() -> None:
    """That a stall still rests is nothing new: what the week alone would call done stays stalled."""
    stuck = dataclasses.replace(RESTING, level_points=15.0, fallen_points=35.0, left_p50=12.0, unfinished=0.9)
    rested = dataclasses.replace(
        RESTING, unfinished=0.4, slowed_hours=200.0, slope_two=0.0, slope_seven=0.0, slope_seven_se=0.03
    )
    judge = Judge(PREMISE, Thresholds(), AlertPolicy())
    assert finishes(told(judge, [rested] * 96)) != []
    judge = Judge(PREMISE, Thresholds(), AlertPolicy())
    said = told(judge, [stuck] * 48) + told(judge, [rested] * 96, begin=48)
    assert judge.phase is Phase.STALLED
    assert finishes(said) == []


def test_a_stall_stands_while_it_is_stuck() -> None:
    """Hardly anything seems left of what stands far above its end: that is still a stall."""
    stuck = dataclasses.replace(RESTING, level_points=15.0, fallen_points=35.0)
    judge = Judge(PREMISE, Thresholds(), AlertPolicy())
    said = told(judge, [stuck] * 96)
    assert judge.phase is Phase.STALLED
    assert finishes(said) == []


COOL = Premise(
    pitched_ms=START_MS, must=Must(kind=MustKind.HONEY, original_gravity_sg=1.050), yeast=Yeast((14.0, 24.0))
)


def at_c(e: Evidence, celsius: float) -> Evidence:
    """The same at a temperature, against the yeast's 14 to 24."""
    return dataclasses.replace(e, temperature_c=celsius, below_c=14.0 - celsius, above_c=celsius - 24.0)


def warmth_told(said: list[Emission]) -> list[tuple[int, AlertKind, AlertState, str]]:
    """Hour, kind, state and words of every temperature alert."""
    kinds = (AlertKind.TEMPERATURE_LOW, AlertKind.TEMPERATURE_HIGH)
    return [
        ((s.at_ms - START_MS) // MS_PER_HOUR, s.kind, s.state, s.message)
        for s in said
        if isinstance(s, AlertChange) and s.kind in kinds
    ]


@pytest.mark.parametrize("kind", [JournalKind.STABILISED, JournalKind.SWEETENED, JournalKind.PACKAGED])
def test_what_was_put_to_rest_may_be_kept_cold(kind: JournalKind) -> None:
    """No warning for a batch that the maker keeps cold as the plan says, and an end to one that stands."""
    judge = Judge(COOL, Thresholds(), AlertPolicy())
    judge.note(JournalEntry(kind, START_MS, START_MS))
    assert warmth_told(told(judge, [at_c(FALLING, 4.0)] * 48)) == []
    judge = Judge(COOL, Thresholds(), AlertPolicy())
    said = told(judge, [at_c(FALLING, 4.0)] * 12)
    judge.note(JournalEntry(kind, START_MS, START_MS))
    said += told(judge, [at_c(FALLING, 4.0)] * 48, begin=12)
    assert [told[:3] for told in warmth_told(said)] == [
        (3, AlertKind.TEMPERATURE_LOW, AlertState.FIRING),
        (18, AlertKind.TEMPERATURE_LOW, AlertState.RESOLVED),
    ]
    assert warmth_told(said)[1][3] == (
        "Now 4.0 degC, below the yeast's 14 degC to 24 degC; cold does no harm once the ferment is over."
    )


def test_what_has_ended_may_be_kept_cold_but_not_hot() -> None:
    """After its end was told cold is no news, not even while it goes again; heat still is."""
    judge = Judge(COOL, Thresholds(), AlertPolicy())
    said = told(judge, [at_c(RESTING, 19.0)] * 12 + [at_c(RESTING, 4.0)] * 240)
    assert warmth_told(said) == []
    again = at_c(dataclasses.replace(FALLING, level_points=-8.0), 4.0)
    said = told(judge, [again] * 12, begin=252)
    assert judge.phase is Phase.REFERMENTING
    assert warmth_told(said) == []
    said = told(judge, [at_c(RESTING, 27.0)] * 12, begin=264)
    assert [told[1] for told in warmth_told(said)] == [AlertKind.TEMPERATURE_HIGH]


@pytest.mark.parametrize("celsius", [10.5, 9.5])
def test_in_a_cool_room_what_seems_over_is_told_still(celsius: float) -> None:
    """Under ten degrees it is kept cold on purpose; above, it may stall if its end was told too early."""
    judge = Judge(COOL, Thresholds(), AlertPolicy())
    said = warmth_told(told(judge, [at_c(RESTING, 19.0)] * 12 + [at_c(RESTING, celsius)] * 48))
    assert [one[1] for one in said] == [AlertKind.TEMPERATURE_LOW] * (celsius > 10.0)
    assert all("If the ferment is over, cold does no harm" in one[3] for one in said)


def test_too_warm_ends_where_too_cold_begins_and_says_where_it_is_now() -> None:
    """One batch is never both; the words of an end tell the temperature of then."""
    judge = Judge(COOL, Thresholds(), AlertPolicy())
    hot, cold, right = (at_c(FALLING, celsius) for celsius in (29.0, 4.0, 19.0))
    said = told(judge, [hot] * 12 + [cold] * 12 + [hot] * 12 + [right] * 12)
    low, high = AlertKind.TEMPERATURE_LOW, AlertKind.TEMPERATURE_HIGH
    assert [told[:3] for told in warmth_told(said)] == [
        (3, high, AlertState.FIRING),
        (15, high, AlertState.RESOLVED),
        (15, low, AlertState.FIRING),
        (27, low, AlertState.RESOLVED),
        (27, high, AlertState.FIRING),
        (42, high, AlertState.RESOLVED),
    ]
    assert warmth_told(said)[1][3] == "Now 4.0 degC, below the yeast's 14 degC to 24 degC."
    assert warmth_told(said)[5][3] == "Now 19.0 degC, within the yeast's 14 degC to 24 degC."


def test_what_stands_is_told_by_the_figures_of_the_last_look() -> None:
    """The temperature of now is told while it is too cold; not while it clears, nor by what is not known."""
    judge = Judge(COOL, Thresholds(), AlertPolicy())
    low = AlertKind.TEMPERATURE_LOW
    assert judge.words(low, "") is None
    told(judge, [at_c(FALLING, 8.7)] * 6)
    assert "8.7 degC" in str(judge.words(low, ""))
    told(judge, [at_c(FALLING, 11.5)], begin=6)
    assert "11.5 degC" in str(judge.words(low, ""))
    told(judge, [at_c(FALLING, 19.0), at_c(FALLING, math.nan)], begin=7)
    assert "11.5 degC" in str(judge.words(low, ""))
    told(judge, [at_c(FALLING, 19.0)] * 8, begin=9)
    assert judge.words(low, "") is None


def test_a_finish_asks_for_nothing_more_once_the_batch_was_put_to_rest() -> None:
    """Who has stabilised is not told to take samples before stabilising; the alert stands as it stood."""
    judge = Judge(PREMISE, Thresholds(), AlertPolicy())
    told(judge, [RESTING] * 12)
    assert "sweeten only after that" in str(judge.words(AlertKind.FINISHED, ""))
    at_ms = START_MS + 12 * MS_PER_HOUR
    judge.note(JournalEntry(JournalKind.STABILISED, at_ms, at_ms))
    assert told(judge, [dataclasses.replace(RESTING, watch_hours=0.0)], begin=12) == []
    assert "nothing more is asked" in str(judge.words(AlertKind.FINISHED, ""))
    assert judge.phase is Phase.FINISHED
