"""The calculators in US units: cautions and errors are told in them too."""

from __future__ import annotations

import re

import pytest

from monitor.cellar.possible import within
from monitor.cellar.shown import UnitSystem, in_units
from monitor.errors import QuantityError

from .test_cellar import run


def test_cautions_and_rows_are_told_in_us_units() -> None:
    """No sentence is left in Celsius: 100 degF is said as it was asked (37.8 degC by definition)."""
    shown = " ".join(run(["sealed", "1.010", "0.998", "--at", "100F", "--units", "us"]).stdout.split())
    assert "In a warm place (100.0 degF)" in shown
    assert "from 39 to 86 degF" in shown
    assert "degC" not in shown


def test_a_scale_keeps_its_name() -> None:
    """SG 20/20 degC is the name of a scale and not a temperature."""
    assert "SG 20/20 degC" in run(["density", "1.040", "--units", "us"]).stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["density", "1.040", "--at", "140F"], r"sample temperature 140 degF is outside 32 to 122 degF"),
        (["sweeten", "1.010", "--volume", "6gal", "--gravity", "0.998", "--alcohol", "5%",
          "--vessel", "5gal"], r"volume 6\.00 US gal is outside 0\.00 to 5\.00 US gal"),
    ],
)  # fmt: skip
def test_errors_are_told_in_us_units(words: list[str], says: str) -> None:
    """Value and range of an error are in the units that were asked for."""
    with pytest.raises(QuantityError, match=says):
        run([*words, "--units", "us"])


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("20 to 25 degC", "68 to 77 degF"),
        ("it holds 3 to 10 L", "it holds 0.79 to 2.64 US gal"),
        ("1 to 2 bar", "15 to 29 psi (1 to 2 bar)"),
        ("-5 to 40 degC", "23 to 104 degF"),
    ],
)
def test_both_ends_of_a_range_are_turned(metric: str, us: str) -> None:
    """A range has one unit for both ends, and so it has in US units (by definition)."""
    assert in_units(metric, UnitSystem.US) == us


def test_degrees_of_an_error_are_rounded_but_never_into_the_range() -> None:
    """100 degF is told as 37.8 degC; 40.01 where 40 is the end stays as it is."""
    with pytest.raises(QuantityError, match=re.escape("t 37.8 degC is outside 0 to 30 degC")):
        within("t", (100.0 - 32.0) / 1.8, 0.0, 30.0, "degC")
    with pytest.raises(QuantityError, match=re.escape("t 40.01 degC")):
        within("t", 40.01, 0.0, 40.0, "degC")
