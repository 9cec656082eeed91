"""What sensors say is the truth plus exactly the ills asked for."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.replay.instruments import (
    FloatTraits,
    ProbeTraits,
    Upset,
    bench_rows,
    float_rows,
    float_says,
    lines_of,
    probe_rows,
)
from monitor.replay.kinetics import STEP_H, Course
from monitor.replay.recording import RowFaults, parsed
from monitor.units import MS_PER_HOUR, Quantity

HOURS = np.arange(0.0, 400.0 + STEP_H, STEP_H)
STILL = Course(HOURS, np.full(len(HOURS), 1.020), np.full(len(HOURS), 25.0), np.full(len(HOURS), 1.0))
PERFECT = FloatTraits(noise=0.0, quantum=0.0, wander=0.0, jitter=0.0)


def said(traits: FloatTraits) -> tuple[np.ndarray, np.ndarray]:
    """What a float with these traits says of a still course."""
    return float_says(STILL, traits, 400.0, default_rng(5))


def with_traits(**changed: object) -> FloatTraits:
    """A perfect float but for these."""
    return FloatTraits(**({"noise": 0.0, "quantum": 0.0, "wander": 0.0, "jitter": 0.0} | changed))  # type: ignore[arg-type]


def test_a_perfect_float_says_the_truth() -> None:
    """Every quarter of an hour."""
    at, gravity = said(PERFECT)
    assert np.allclose(np.diff(at), 0.25)
    assert np.allclose(gravity, 1.020)


def test_noise_has_the_deviation_asked_for() -> None:
    """Heavy-tailed, but of this standard deviation."""
    _, gravity = said(with_traits(noise=0.001))
    assert np.std(gravity) == pytest.approx(0.001, rel=0.15)


def test_steady_ills_add_up() -> None:
    """Offset, 0.0002 per degC at five degrees over 20, and a drift that is whole at the end."""
    at, gravity = said(with_traits(offset=-0.002, per_c=0.0002, drift=0.0015))
    assert gravity[0] == pytest.approx(1.020 - 0.002 + 0.001, abs=1e-4)
    assert gravity[-1] - gravity[0] == pytest.approx(0.0015, abs=1e-4)
    assert at[-1] < 400.0


def test_rounding_makes_steps() -> None:
    """Multiples of a thousandth and no others."""
    _, gravity = said(with_traits(noise=0.0008, quantum=0.001))
    assert np.allclose(gravity * 1000.0, np.round(gravity * 1000.0))
    assert len(np.unique(gravity)) > 1


def test_upsets_last_as_long_as_they_last() -> None:
    """A knock shifts, a stuck float repeats itself, foam throws about, a gap is empty."""
    at, knocked = said(with_traits(knocks=(Upset(100.0, 200.0, 0.004),)))
    inside = (at >= 100.0) & (at < 200.0)
    assert np.allclose(knocked[inside], 1.024)
    assert np.allclose(knocked[~inside], 1.020)
    at, stuck = said(with_traits(noise=0.001, stuck=(Upset(100.0, 120.0),)))
    assert np.ptp(stuck[(at >= 100.0) & (at < 120.0)]) == 0.0
    at, foam = said(with_traits(foam=(Upset(50.0, 60.0, 0.008),)))
    assert 1.022 < foam[(at > 52.0) & (at < 58.0)].max() < 1.030
    at, _ = said(with_traits(gaps=(Upset(100.0, 130.0),)))
    assert not ((at >= 100.0) & (at < 130.0)).any()


def test_a_dead_float_stays_dead() -> None:
    """Nothing after the hour of its death."""
    at, _ = said(with_traits(dies_h=77.0))
    assert 76.0 < at[-1] < 77.0


def test_missing_readings_are_as_many_as_asked_for() -> None:
    """A sixth, give or take."""
    at, _ = said(with_traits(missing=0.15))
    assert len(at) == pytest.approx(0.85 * 1600, rel=0.04)


@pytest.mark.parametrize(("unit", "slack"), [("sg", 6e-5), ("plato", 3e-5), ("kg/m3", 1e-5)])
def test_every_unit_is_read_back_to_the_same_gravity(unit: str, slack: float) -> None:
    """To what its printed digits can hold."""
    rows = float_rows(STILL, with_traits(unit=unit, temperature_unit="degF"), "f", 0, 48.0, default_rng(1))
    faults = RowFaults()
    lines = lines_of(rows, with_received=False, malformed=0.0, rng=default_rng(1))
    found = [r.value for r in parsed(lines, "t", faults) if r.quantity is Quantity.GRAVITY]
    assert faults.count == 0
    assert found == pytest.approx([1.020] * len(found), abs=slack)


def test_late_rows_arrive_together_and_wrong_clocks_are_off() -> None:
    """Measured over ten hours, delivered in a minute; a clock two hours ahead says so in every row."""
    traits = with_traits(late=(Upset(20.0, 30.0),), wrong_clock=(Upset(40.0, 44.0, 2.0),))
    rows = float_rows(STILL, traits, "f", 0, 48.0, default_rng(1))
    late = [row for row in rows if 20 * MS_PER_HOUR <= row.true_ms < 30 * MS_PER_HOUR]
    assert len({row.arrived_ms for row in late}) == 1
    wrong = [row for row in rows if 40 * MS_PER_HOUR <= row.true_ms < 44 * MS_PER_HOUR]
    assert wrong
    assert all(row.time_ms - row.true_ms == 2 * MS_PER_HOUR for row in wrong)


def test_a_float_on_the_bench_sends_before_pitching() -> None:
    """Hours of rows with negative time, about what it says there."""
    rows = bench_rows(with_traits(bench_h=6.0, bench_sg=1.12), "f", 0, default_rng(1))
    assert len(rows) == pytest.approx(24, abs=1)
    assert all(-6 * MS_PER_HOUR <= row.time_ms < 0 for row in rows)
    assert {row.rest for row in rows} == {"gravity,1.1200,sg"}


def test_doubled_rows_have_the_same_key() -> None:
    """The same sensor, quantity and time twice, with the same value."""
    rows = float_rows(STILL, with_traits(doubled=(Upset(0.0, 48.0),)), "f", 0, 48.0, default_rng(1))
    keys = [(row.sensor, row.time_ms, row.rest) for row in rows]
    assert len(set(keys)) < len(keys)


def test_malformed_rows_come_besides_the_good_ones() -> None:
    """Each is a fault to the reader, and no good row is lost."""
    rows = probe_rows(HOURS, STILL.temperature_c, ProbeTraits(), 0, 200.0, default_rng(1))
    faults = RowFaults()
    lines = lines_of(rows, with_received=True, malformed=0.1, rng=default_rng(1))
    found = list(parsed(lines, "t", faults))
    assert len(found) == len(rows)
    assert faults.count == pytest.approx(0.1 * len(rows), rel=0.3)


def test_a_probe_stops_when_it_should() -> None:
    """And what it said until then is near the truth."""
    rows = probe_rows(HOURS, STILL.temperature_c, ProbeTraits(stops_h=50.0), 0, 200.0, default_rng(1))
    assert max(row.time_ms for row in rows) < 50 * MS_PER_HOUR
    values = [float(row.rest.split(",")[1]) for row in rows]
    assert np.mean(values) == pytest.approx(25.0, abs=0.05)
