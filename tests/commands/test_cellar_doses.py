"""The calculators of doses: what they say where there is nothing to weigh, or no table to go by."""

from __future__ import annotations

from .test_cellar import as_json, run


def told(words: list[str]) -> str:
    """What a command prints, as one line."""
    return " ".join(run(words).stdout.split())


def test_no_sulfite_where_enough_is_in_it() -> None:
    """250 mg/L free at pH 4.2, where 197 are needed (pK 1.81): none to add, and no share of nothing binds."""
    words = ["sulfite", "--volume", "18L", "--ph", "4.2", "--alcohol", "5.5%", "--free", "250 mg/L"]
    shown = told(words)
    assert shown.startswith("potassium metabisulfite none to add")
    assert "bind" not in shown
    assert "no sulfite yet" not in shown
    assert "above the 200 mg/L for mead in the EU" in shown
    assert as_json(words)["salt_g"] == 0.0


def test_the_constant_says_for_which_temperature_it_is() -> None:
    """The table of the mixed constant begins at 20 degC (OIV-MA-AS323-04C): colder is reckoned so."""
    words = ["sulfite", "--volume", "18L", "--ph", "3.4", "--alcohol", "5.5%", "--constant", "mixed"]
    cold = told([*words, "--temperature", "4C"])
    assert "mixed constant, at 20.0 °C (68.0 °F))" in cold
    assert "reckoned at 20 degC" in cold
    assert "reckoned at 68 degF" in told([*words, "--temperature", "4C", "--units", "us"])
    warm = told([*words, "--temperature", "25C"])
    assert "at 25.0 °C" in warm
    assert "reckoned at" not in warm
