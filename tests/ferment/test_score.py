"""Scores follow the definitions: each row of the table has a case that it counts and one that it does not."""

from __future__ import annotations

import pytest

from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Emission,
    Forecast,
    Interval,
    Phase,
    PhaseChange,
    Severity,
)
from monitor.ferment.score import FOR_EVER_MS, ForecastScore, Spell, Truth, score, told_by
from monitor.units import MS_PER_DAY, MS_PER_HOUR

DAY = MS_PER_DAY
ENDED = Truth(finished_ms=10 * DAY, near_finish_ms=9 * DAY, final_gravity_sg=0.998)
STALLED = Truth(finished_ms=20 * DAY, near_finish_ms=19 * DAY, stalls=(Spell(5 * DAY, 9 * DAY),))


def fires(kind: AlertKind, at_ms: float, until_ms: float | None = None, subject: str = "") -> list[Emission]:
    """An alert that fires, and is resolved where an end is given."""

    def change(state: AlertState, moment: float) -> AlertChange:
        return AlertChange(int(moment), kind, state, int(at_ms), Severity.ACT, "", subject)

    found: list[Emission] = [change(AlertState.FIRING, at_ms)]
    if until_ms is not None:
        found.append(change(AlertState.RESOLVED, until_ms))
    return found


class TestToldBy:
    """Emissions become spells of firing."""

    def test_alerts_become_spells(self) -> None:
        """From firing to resolved, or for ever; pending is not told; phases are not alerts."""
        pending = AlertChange(1, AlertKind.STALLED, AlertState.PENDING, 1, Severity.ACT, "")
        told = told_by(
            [
                PhaseChange(0, Phase.LAG, ""),
                pending,
                *fires(AlertKind.SENSOR_SILENT, 5, 9, "a"),
                *fires(AlertKind.SENSOR_SILENT, 7, None, "b"),
            ]
        )
        assert told.firing == {AlertKind.SENSOR_SILENT: (Spell(5, 9), Spell(7, FOR_EVER_MS))}
        assert told.times(AlertKind.STALLED) == ()


class TestFinished:
    """Right is not premature and within 48 h of the true finish."""

    @pytest.mark.parametrize(
        ("day", "right", "premature", "never", "delay_h"),
        [
            (8.9, False, True, False, None),
            (9.5, True, False, False, -12.0),
            (10.0, True, False, False, 0.0),
            (12.0, True, False, False, 48.0),
            (12.1, False, False, False, 50.4),
            (16.5, False, False, True, 156.0),
        ],
    )
    def test_by_the_day_it_was_told(
        self, day: float, right: bool, premature: bool, never: bool, delay_h: float | None
    ) -> None:
        """Two points left to fall on day 9, the end on day 10."""
        found = score(told_by(fires(AlertKind.FINISHED, day * DAY)), ENDED).finished
        assert (found.right, found.premature, found.never) == (right, premature, never)
        assert found.delay_h == (None if delay_h is None else pytest.approx(delay_h))

    def test_silence_is_never_and_not_premature(self) -> None:
        """Nothing told is a fault of its own."""
        found = score(told_by([]), ENDED).finished
        assert (found.right, found.premature, found.never, found.delay_h) == (False, False, True, None)

    def test_the_first_telling_counts(self) -> None:
        """Telling it again in time does not make up for telling it too early."""
        alerts = fires(AlertKind.FINISHED, 5 * DAY, 6 * DAY) + fires(AlertKind.FINISHED, 10 * DAY)
        assert score(told_by(alerts), ENDED).finished.premature

    def test_told_in_a_stall(self) -> None:
        """Counted for ferments that stall, whether or not they ever end."""
        told = told_by(fires(AlertKind.FINISHED, 7 * DAY))
        assert score(told, STALLED).finished.in_stall
        assert score(told, Truth(stalls=STALLED.stalls)).finished.in_stall
        assert not score(told_by([]), STALLED).finished.in_stall
        assert score(told, ENDED).finished.in_stall is None

    def test_a_float_that_died_is_not_asked_for_the_end(self) -> None:
        """Telling it too early remains a fault."""
        dead = Truth(finished_ms=10 * DAY, near_finish_ms=9 * DAY, silent_ms=8 * DAY)
        found = score(told_by(fires(AlertKind.FINISHED, 7 * DAY)), dead).finished
        assert (found.right, found.never, found.premature) == (None, None, True)

    def test_a_batch_that_was_sweetened_sooner_is_not_asked_for_six_days(self) -> None:
        """It was not told in time, but nobody can say that it would never have been."""
        sweetened = Truth(finished_ms=10 * DAY, near_finish_ms=9 * DAY, sweetened_ms=14 * DAY)
        found = score(told_by([]), sweetened).finished
        assert (found.right, found.never) == (False, None)
        rested = Truth(finished_ms=10 * DAY, near_finish_ms=9 * DAY, sweetened_ms=16 * DAY)
        assert score(told_by([]), rested).finished.never

    def test_a_plain_truth_is_enough(self) -> None:
        """Without the mark of two points left, more than a day before the end is premature."""
        plain = Truth(finished_ms=10 * DAY)
        assert score(told_by(fires(AlertKind.FINISHED, 8.9 * DAY)), plain).finished.premature
        assert score(told_by(fires(AlertKind.FINISHED, 9.1 * DAY)), plain).finished.right


class TestStall:
    """Found up to its end; on the way down too, where the alert still stands at its onset."""

    @pytest.mark.parametrize(
        ("day", "found", "cost"),
        [(0.9, False, None), (3.5, True, -36.0), (6.0, True, 24.0), (9.1, False, None)],
    )
    def test_by_the_day_it_was_told(self, day: float, found: bool, cost: float | None) -> None:
        """The stall lasts from day 5 to day 9."""
        result = score(told_by(fires(AlertKind.STALLED, day * DAY)), STALLED).stall
        assert (result.found, result.wrong) == (found, None)
        assert result.cost == (None if cost is None else pytest.approx(cost))

    def test_taken_back_before_it_is_there(self) -> None:
        """An alert that was resolved before the stall began has not told it; the next one has."""
        early = fires(AlertKind.STALLED, 3.5 * DAY, 4.5 * DAY)
        assert score(told_by(early), STALLED).stall.found is False
        again = score(told_by([*early, *fires(AlertKind.STALLED, 6 * DAY)]), STALLED).stall
        assert (again.found, again.cost) == (True, pytest.approx(24.0))

    def test_told_where_none_is(self) -> None:
        """Any telling on a ferment that never stalls is wrong."""
        assert score(told_by(fires(AlertKind.STALLED, 2 * DAY)), ENDED).stall.wrong
        assert score(told_by([]), ENDED).stall.wrong is False

    def test_where_nothing_is_known_nothing_is_judged(self) -> None:
        """A truth that says neither end nor stall leaves it open."""
        assert score(told_by(fires(AlertKind.STALLED, 2 * DAY)), Truth()).stall.wrong is None


class TestRestart:
    """Refermenting after sweetening, and what was lost until it was told."""

    GOES = Truth(
        finished_ms=5 * DAY, sweetened_ms=10 * DAY, refermenting_ms=12 * DAY,
        lost_marks=((12 * DAY, 0.25), (13 * DAY, 1.0), (14 * DAY, 2.0)),
    )  # fmt: skip

    @pytest.mark.parametrize(("day", "lost"), [(11.0, 0.0), (13.0, 1.0), (13.5, 1.5), (15.0, 2.0)])
    def test_points_lost(self, day: float, lost: float) -> None:
        """Straight between the marks, the last mark after them."""
        found = score(told_by(fires(AlertKind.REFERMENTING, day * DAY)), self.GOES).restart
        assert found.found
        assert found.cost == pytest.approx(lost)

    def test_told_before_the_sweetening_does_not_count(self) -> None:
        """It was about something else."""
        assert score(told_by(fires(AlertKind.REFERMENTING, 9 * DAY)), self.GOES).restart.found is False

    def test_told_on_a_stable_one(self) -> None:
        """Counted only for ferments that were sweetened."""
        told = told_by(fires(AlertKind.REFERMENTING, 12 * DAY))
        assert score(told, Truth(finished_ms=5 * DAY, sweetened_ms=10 * DAY)).restart.wrong
        assert score(told, Truth(finished_ms=5 * DAY)).restart.wrong is None


class TestSilent:
    """A float that died must be told; a sensor that was heard must not."""

    def test_found_after_it_died(self) -> None:
        """Telling before it died is wrong, and found only where the alert still stands."""
        dead = Truth(silent_ms=8 * DAY, silences=(Spell(8 * DAY, 20 * DAY),))
        late = score(told_by(fires(AlertKind.SENSOR_SILENT, 8.2 * DAY)), dead).silent
        early = score(told_by(fires(AlertKind.SENSOR_SILENT, 7.0 * DAY, 7.5 * DAY)), dead).silent
        standing = score(told_by(fires(AlertKind.SENSOR_SILENT, 7.0 * DAY)), dead).silent
        assert (late.found, late.wrong) == (True, False)
        assert (early.found, early.wrong) == (False, True)
        assert (standing.found, standing.wrong) == (True, True)

    def test_a_plain_truth_judges_no_silence(self) -> None:
        """Where silences are not known, telling one is neither right nor wrong."""
        found = score(told_by(fires(AlertKind.SENSOR_SILENT, DAY)), ENDED).silent
        assert (found.found, found.wrong) == (None, None)


class TestTemperature:
    """Spells well out of the range must be told, spells near its edge may be."""

    COLD = Truth(too_cold=(Spell(2 * DAY, 3 * DAY, 2.0), Spell(6 * DAY, 7 * DAY, 0.1)), too_warm=())

    def test_found_while_it_lasts_or_soon_after(self) -> None:
        """An alert that still fires from before counts for the spell."""
        before = told_by(fires(AlertKind.TEMPERATURE_LOW, 1.9 * DAY, 2.5 * DAY))
        inside = told_by(fires(AlertKind.TEMPERATURE_LOW, 2.5 * DAY))
        assert score(inside, self.COLD).temperature.found
        assert score(before, self.COLD).temperature.found
        assert score(told_by([]), self.COLD).temperature.found is False

    def test_near_the_edge_is_neither_right_nor_wrong(self) -> None:
        """Told in the shallow spell only: the deep one is missing, and nothing is wrong."""
        found = score(told_by(fires(AlertKind.TEMPERATURE_LOW, 6.5 * DAY)), self.COLD).temperature
        assert (found.found, found.wrong) == (False, False)

    def test_told_wrongly(self) -> None:
        """Outside of any spell of its kind."""
        assert score(told_by(fires(AlertKind.TEMPERATURE_LOW, 5 * DAY)), self.COLD).temperature.wrong
        assert score(told_by(fires(AlertKind.TEMPERATURE_HIGH, 2.5 * DAY)), self.COLD).temperature.wrong

    def test_a_plain_truth_judges_no_temperature(self) -> None:
        """Where spells are not known."""
        assert score(told_by(fires(AlertKind.TEMPERATURE_LOW, DAY)), ENDED).temperature.wrong is None


class TestForecast:
    """The latest forecast at a mark, not older than twelve hours."""

    TRUTH = Truth(finished_ms=10 * DAY, final_gravity_sg=0.998, half_ms=4 * DAY)

    def at(self, at_ms: float, *, gravity: Interval, finish: Interval) -> ForecastScore | None:
        """The score at half of the drop of one forecast."""
        return score(told_by([Forecast(int(at_ms), gravity, finish)]), self.TRUTH).at_half

    def test_error_width_and_cover(self) -> None:
        """Points and hours; an interval covers its ends."""
        found = self.at(
            3.9 * DAY,
            gravity=Interval(0.998, 0.9995, 1.002),
            finish=Interval(11 * DAY, 12 * DAY, 13 * DAY),
        )
        assert found is not None
        assert found.gravity_error_points == pytest.approx(1.5)
        assert found.gravity_width_points == pytest.approx(4.0)
        assert found.gravity_covers is True
        assert found.time_error_h == pytest.approx(48.0)
        assert found.time_covers is False

    @pytest.mark.parametrize("day", [3.4, 4.1])
    def test_one_that_is_old_or_of_later_is_none(self, day: float) -> None:
        """Nothing is taken from after the mark."""
        assert self.at(day * DAY, gravity=Interval(1.0, 1.0, 1.0), finish=Interval()) == ForecastScore()

    def test_what_is_not_given_is_not_judged(self) -> None:
        """A forecast without intervals covers nothing and misses nothing."""
        found = self.at(4 * DAY - MS_PER_HOUR, gravity=Interval(p50=0.998), finish=Interval())
        assert found == ForecastScore(gravity_error_points=pytest.approx(0.0))

    def test_no_mark_no_score(self) -> None:
        """A truth by hand has no marks."""
        assert score(told_by([]), ENDED).at_half is None
