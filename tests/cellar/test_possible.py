"""What is possible, and what the error says."""

from __future__ import annotations

import math

import pytest

from monitor.cellar.possible import within
from monitor.errors import QuantityError


def test_both_ends_and_zero_are_possible() -> None:
    """The ends of the range belong to it, and zero is a value like any other."""
    assert within("pH", 2.5, 2.5, 5.0) == 2.5
    assert within("pH", 5.0, 2.5, 5.0) == 5.0
    assert within("free SO2", 0.0, 0.0, 500.0, "mg/L") == 0.0


def test_the_error_names_value_range_and_unit() -> None:
    """Who gave the wrong value is told which it was and what would have been possible."""
    with pytest.raises(QuantityError, match="alcohol 96 % vol is outside 0 to 25 % vol") as caught:
        within("alcohol", 96.0, 0.0, 25.0, "% vol", hint="check the reading")
    assert caught.value.hint == "check the reading"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_never_possible(value: float) -> None:
    """Not-a-number and infinity are refused."""
    with pytest.raises(QuantityError):
        within("pH", value, 2.5, 5.0)


def test_an_end_that_was_worked_out_is_one_that_can_be_typed() -> None:
    """1.47523 to 4.99999 is shown as 1.476 to 4.999, both of which are possible."""
    low, high = 1.47523, 4.99999
    with pytest.raises(QuantityError, match=r"carbonation 1.2 volumes is outside 1\.476 to 4\.999 volumes"):
        within("carbonation", 1.2, low, high, "volumes")
    assert within("carbonation", 1.476, low, high) == 1.476
    assert within("carbonation", 4.999, low, high) == 4.999
