"""The calculators of what a liquid is, where a figure is likelier wrong than the honey odd."""

from __future__ import annotations

import pytest

from .test_cellar import as_json, run

WEIGHED = ["honey", "--volume", "4.8gal", "--gravity", "1.0438", "--weighed"]


def told(words: list[str]) -> str:
    """What a command prints, as one line."""
    return " ".join(run(words).stdout.split())


@pytest.mark.parametrize("weight", ["6lb", "5.2lb"])
def test_a_moisture_that_no_honey_has_is_doubted(weight: str) -> None:
    """Outside 13 to 20 % (common practice) the weighing is doubted, and no gravity of neat honey follows."""
    found = as_json([*WEIGHED, weight])
    assert found["moisture"] is None
    assert found["neat_sg"] is None
    assert not 0.13 <= found["doubted_moisture"] <= 0.20
    shown = told([*WEIGHED, weight])
    assert "a loose volume or a must not stirred through is likelier" in shown
    assert ("honey left in the jars" in shown) == (weight == "6lb")
    assert "neat honey" not in shown


def test_a_usual_moisture_is_told() -> None:
    """Within 13 to 20 % it is told, with the neat honey."""
    shown = told([*WEIGHED, "5.5lb"])
    assert "moisture not told" not in shown
    assert "neat honey" in shown
