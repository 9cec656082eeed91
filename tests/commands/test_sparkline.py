"""A curve in one line of text."""

from __future__ import annotations

from monitor.commands.sparkline import sparkline


def test_the_ends_of_the_row_are_the_lowest_and_the_highest_value() -> None:
    """Eight equal steps are the eight bars."""
    assert sparkline([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]) == "▁▂▃▄▅▆▇█"


def test_a_level_curve_is_drawn_low() -> None:
    """No division by a span of nothing."""
    assert sparkline([1.0, 1.0, 1.0]) == "▁▁▁"


def test_a_single_value_is_no_curve() -> None:
    """Nothing to draw."""
    assert sparkline([1.0]) == ""
