"""Numbers and times in words."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from monitor.ferment.emission import Interval, Phase
from monitor.ferment.evidence import Evidence
from monitor.ferment.wording import reason
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, ms_from_rfc3339
from monitor.web.options import UnitSystem
from monitor.web.show import UNKNOWN, Show, upper_first

NOW_MS = ms_from_rfc3339("2026-06-03T13:05:00Z")


@pytest.fixture
def metric() -> Show:
    return Show(UnitSystem.METRIC, ZoneInfo("Europe/Dublin"), NOW_MS)


@pytest.fixture
def us() -> Show:
    return Show(UnitSystem.US, ZoneInfo("Europe/Dublin"), NOW_MS)


def test_zero_is_shown_and_unknown_is_a_dash(metric: Show) -> None:
    """0 °C and gravity 1.000 are values; only None is unknown."""
    assert metric.temperature(0.0) == "0.0\u00a0°C"
    assert metric.gravity(1.0) == "1.000"
    assert metric.alcohol(0.0) == "0.0\u00a0%"
    assert metric.percent(0.0) == "0\u00a0%"
    assert metric.temperature(None) == metric.gravity(None) == metric.alcohol(None) == UNKNOWN


def test_numbers_are_rounded_as_people_do(metric: Show) -> None:
    """Half away from zero, and a range tells 19.5 from 20.5 °C."""
    assert metric.gravity(1.0385) == "1.039"
    assert metric.gravity(0.9995) == "1.000"
    assert metric.temperature_range(19.5, 20.5) == "19.5 to 20.5\u00a0°C"
    assert metric.temperature_range(18.0, 24.0) == "18 to 24\u00a0°C"
    assert metric.temperature(-0.04) == "0.0\u00a0°C"


def test_us_units(us: Show) -> None:
    """Water freezes at 32 °F and boils at 212 °F by definition; a US gallon is 3.785411784 L (NIST HB 44)."""
    assert us.temperature(0.0) == "32.0\u00a0°F"
    assert us.temperature_range(0.0, 100.0) == "32 to 212\u00a0°F"
    # given as 65 and 70 °F: (F - 32) / 1.8
    assert us.temperature_range(18.3333, 21.1111) == "65 to 70\u00a0°F"
    assert us.volume(3.785411784) == "1.00 US gal"
    assert us.mass(0.45359237) == "1.00 lb"


@pytest.mark.parametrize(
    ("points", "said"),
    [
        (None, "no trend yet"),
        (0.0, "standing still"),
        (0.2, "standing still"),
        (-0.2, "standing still"),
        (6.24, "falling 6.2 points a day"),
        (-1.0, "rising 1.0 points a day"),
    ],
)
def test_fall(metric: Show, points: float | None, said: str) -> None:
    """A fall is said in words, and standing still is not a fall."""
    assert metric.fall(points) == said


@pytest.mark.parametrize(
    ("points", "said"), [(-0.04, "0.0"), (0.0, "0.0"), (-0.2, "−0.2"), (4.06, "4.1"), (None, "–")]
)
def test_points_have_no_stray_minus(metric: Show, points: float | None, said: str) -> None:
    """What rounds to nothing is shown as nothing."""
    assert metric.points(points) == said


def test_times_are_local_and_utc_is_kept(metric: Show) -> None:
    """Dublin is an hour ahead of UTC in June; the machine's form stays UTC."""
    assert metric.when(NOW_MS) == "Wed 3 Jun, 14:05"
    assert metric.utc(NOW_MS) == "2026-06-03T13:05:00Z"
    assert metric.when(ms_from_rfc3339("2025-01-03T13:05:00Z")) == "Fri 3 Jan 2025, 13:05"
    assert metric.form_time(NOW_MS) == "2026-06-03T14:05"


@pytest.mark.parametrize(
    ("span_ms", "said"),
    [
        (0, "just now"),
        (59_000, "just now"),
        (MS_PER_MINUTE, "1 minute ago"),
        (90 * MS_PER_MINUTE, "90 minutes ago"),
        (5 * MS_PER_HOUR, "5 hours ago"),
        (3 * MS_PER_DAY, "3 days ago"),
        (-3 * MS_PER_DAY, "in 3 days"),
    ],
)
def test_ago(metric: Show, span_ms: int, said: str) -> None:
    """A distance in time is said in its largest fitting unit, both ways."""
    assert metric.ago(NOW_MS - span_ms) == said


def test_ranges_of_days(metric: Show) -> None:
    """A finish is a range of days; one day is named once, and a range that helps nobody is not given."""
    assert metric.days(NOW_MS + 2 * MS_PER_DAY, NOW_MS + 4 * MS_PER_DAY) == "Fri 5 to Sun 7 Jun"
    assert metric.days_ahead(NOW_MS + 2 * MS_PER_DAY, NOW_MS + 4 * MS_PER_DAY) == "in 2 to 4 days"
    assert metric.days(NOW_MS, NOW_MS + MS_PER_HOUR) == "Wed 3 Jun"
    assert metric.days_ahead(NOW_MS, NOW_MS + MS_PER_HOUR) == "today"
    assert metric.days(NOW_MS + 27 * MS_PER_DAY, NOW_MS + 29 * MS_PER_DAY) == "Tue 30 Jun to Thu 2 Jul"
    assert metric.days(NOW_MS + MS_PER_DAY, NOW_MS + 90 * MS_PER_DAY) == "not before Thu 4 Jun"
    assert metric.days(NOW_MS - 3 * MS_PER_DAY, NOW_MS - MS_PER_DAY) == "cannot be told now"
    assert metric.days(None, NOW_MS) == "cannot be told yet"
    assert metric.days_ahead(NOW_MS - 3 * MS_PER_DAY, NOW_MS - MS_PER_DAY) == ""


def test_place_in_the_yeasts_range(metric: Show) -> None:
    """The limits themselves are within the range."""
    assert metric.temperature_place(15.0, (15.0, 24.0)) == "within the yeast’s 15 to 24\u00a0°C"
    assert metric.temperature_place(14.9, (15.0, 24.0)) == "below the yeast’s 15 to 24\u00a0°C"
    assert metric.temperature_place(24.1, (15.0, 24.0)) == "above the yeast’s 15 to 24\u00a0°C"
    assert metric.temperature_place(None, (15.0, 24.0)) == ""


def test_a_reason_becomes_a_sentence(metric: Show) -> None:
    """A reason that begins with a verb speaks of the batch."""
    assert metric.sentence("has fallen 2 points.") == "It has fallen 2 points."
    assert metric.sentence("Nothing yet.") == "Nothing yet."
    unknown = reason(Phase.UNKNOWN, Evidence(at_ms=0))
    assert metric.sentence(unknown) == "Too little was heard of the float to tell."


def test_a_first_capital_leaves_names_alone() -> None:
    """Unlike `str.capitalize`."""
    assert upper_first("the alcohol of Orchard session") == "The alcohol of Orchard session"
    assert upper_first("") == ""


def test_a_finish_is_told_by_the_phase() -> None:
    """Since when it is done, when it will be, on what condition; what goes again has no end."""
    now_ms = ms_from_rfc3339("2026-10-20T12:00:00Z")
    show = Show(UnitSystem.METRIC, ZoneInfo("UTC"), now_ms)
    ahead = Interval(*(float(now_ms + days * MS_PER_DAY) for days in (2, 3, 5)))
    past = Interval(*(float(now_ms - days * MS_PER_DAY) for days in (7, 6, 1)))
    assert show.finish(Phase.ACTIVE, ahead) == "Thu 22 to Sun 25 Oct"
    assert show.finish(Phase.STALLED, ahead) == "Thu 22 to Sun 25 Oct if it goes on"
    assert show.finish(Phase.STALLED, past) == "cannot be told now"
    assert show.finish(Phase.REFERMENTING, past) == "cannot be told now"
    assert show.finish(Phase.FINISHED, Interval(p50=past.p05)) == "done since about Tue 13 Oct"
    assert show.finish(Phase.FINISHED, Interval()) == "done"
