"""A recorded heating: in which unit it was written, what it did, and what is refused."""

from __future__ import annotations

import pytest

from monitor.cellar.heating import CELSIUS, FAHRENHEIT, heating, read_history
from monitor.errors import InputError, QuantityError

FAHRENHEIT_LOG = "minutes,degF\n0,68\n10,80\n20,95\n30,99\n"


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("minutes,degC", CELSIUS),
        ("min,C", CELSIUS),
        ("Time (min),Temp (°C)", CELSIUS),
        ("minutes,celsius", CELSIUS),
        ("minutes,degF", FAHRENHEIT),
        ("minutes, F", FAHRENHEIT),
        ("time_min,temperature_f", FAHRENHEIT),
        ("Minutes,°F", FAHRENHEIT),
    ],
)
def test_the_heading_says_the_unit(heading: str, unit: str) -> None:
    """Celsius or Fahrenheit, as makers write it; 140 degF are 60 degC (by definition)."""
    value = "60" if unit is CELSIUS else "140"
    history = read_history(f"{heading}\n0,{value}\n\n7.5,{value}\n15,{value}\n", "bath.csv")
    assert history.unit == unit
    assert history.unit_said
    assert history.temperatures_c == pytest.approx((60.0, 60.0, 60.0))


@pytest.mark.parametrize(
    "heading",
    ["minutes,temperature", "time,degC", "seconds,degC", "hours,degC", "minutes,K", "minutes,C or F",
     "minutes,68 warm", "minutes,degC,degF", "minutes"],
)  # fmt: skip
def test_any_other_heading_is_refused(heading: str) -> None:
    """A heading that leaves time or temperature open is refused with what to write."""
    with pytest.raises(InputError, match=r"bath\.csv: its heading") as refused:
        read_history(f"{heading}\n0,60\n15,60\n", "bath.csv")
    assert "minutes,degF" in refused.value.hint


def test_a_line_that_is_no_reading_is_named() -> None:
    """Words below the first line are refused with the line's number."""
    with pytest.raises(InputError, match=r"bath\.csv, line 2: '1,warm'"):
        read_history("0,60\n1,warm\n", "bath.csv")


def test_a_fahrenheit_bath_that_stayed_cold_did_nothing() -> None:
    """99 degF are 37.2 degC: half an hour up to there makes under a hundredth of a unit (1.393^-22.8)."""
    done = heating(read_history(FAHRENHEIT_LOG, "bath.csv"), sealed=False, dissolved_volumes=0.86)
    assert done.pasteurising_units < 0.01
    assert done.warmest_c == pytest.approx(37.2, abs=0.03)


@pytest.mark.parametrize("table", [FAHRENHEIT_LOG.replace("degF", "degC"), FAHRENHEIT_LOG[13:]])
def test_hotter_than_any_bath_is_a_mix_up(table: str) -> None:
    """Above 85 degC no mead is heated, so a Fahrenheit log read as Celsius is refused with what to write."""
    with pytest.raises(QuantityError, match="came to 99 degC") as refused:
        heating(read_history(table, "bath.csv"), sealed=False, dissolved_volumes=0.86)
    assert "minutes,degF" in refused.value.hint


def test_more_units_than_anyone_wants_are_a_mix_up() -> None:
    """Two hours at 80 degC would be 90,000 units (120 x 1.393^20): seconds for minutes, or Fahrenheit."""
    with pytest.raises(QuantityError, match="pasteurising units"):
        heating(read_history("minutes,degC\n0,80\n120,80\n", "b"), sealed=False, dissolved_volumes=0.86)


def test_without_a_heading_the_unit_taken_is_said() -> None:
    """Celsius is taken and a caution says so; with a heading there is none."""
    bare = heating(read_history("0,60\n15,60\n", "b"), sealed=False, dissolved_volumes=0.86)
    assert bare.pasteurising_units == pytest.approx(15.0)
    assert not bare.unit_said
    assert "was taken for degrees Celsius" in bare.cautions[0].text
    headed = heating(read_history("minutes,degC\n0,60\n15,60\n", "b"), sealed=False, dissolved_volumes=0.86)
    assert not any("was taken for" in one.text for one in headed.cautions)


def test_sealed_carbonated_bottles_are_refused_beside_the_figure() -> None:
    """3 volumes in closed bottles: what the heating did is told, and that it must never be done."""
    history = read_history("minutes,degC\n0,60\n15,65\n", "b")
    done = heating(history, sealed=True, dissolved_volumes=3.0)
    assert done.refusal is not None
    assert "at 65 degC" in done.refusal.sentence
    assert heating(history, sealed=False, dissolved_volumes=3.0).refusal is None
    assert heating(history, sealed=True, dissolved_volumes=0.86).refusal is None
