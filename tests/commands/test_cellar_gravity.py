"""The calculators of what a liquid is, where a figure is likelier wrong than the honey odd."""

from __future__ import annotations

import pytest

from monitor.errors import QuantityError

from .test_cellar import as_json, run

WEIGHED = ["honey", "--volume", "4.8gal", "--gravity", "1.0438", "--weighed"]


def told(words: list[str]) -> str:
    """What a command prints, as one line."""
    return " ".join(run(words).stdout.split())


@pytest.mark.parametrize("words", [["expect", "1.150"], ["must", "1.150", "--volume", "18L"]])
def test_both_that_tell_an_end_doubt_one_that_no_yeast_reaches(words: list[str]) -> None:
    """22 % vol from 1.150: most yeasts stop at 14 to 18 (common practice). With a tolerance that is told."""
    assert "most stop at 14 to 18 % vol, and such a must stays sweet and stuck" in told(words)
    assert "sweet and stuck" not in told([*words, "--tolerance", "14%"])
    assert "sweet and stuck" not in told([words[0], "1.050", *words[2:]])


def test_an_end_is_told_of_musts_that_can_be_made() -> None:
    """As with `must`, 1.200 is the densest: 46 % vol from 1.300 is no answer."""
    assert as_json(["expect", "1.200"])["abv"] > 25.0
    for words in (["expect", "1.300"], ["must", "1.300", "--volume", "18L"]):
        with pytest.raises(QuantityError, match=r"gravity 1\.3 is outside 1 to 1\.2"):
            run(words)


def test_two_gravities_that_no_yeast_joins_are_doubted() -> None:
    """1.150 to 0.990 would be 22 % vol: the readings are likelier wrong (common practice, as above)."""
    assert "read both gravities again" in told(["alcohol", "1.150", "0.990"])
    assert "read both gravities again" not in told(["alcohol", "1.120", "0.998"])


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
