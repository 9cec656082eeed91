"""The calculators as a person at a terminal uses them."""

from __future__ import annotations

import importlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from monitor.cellar.shown import UnitSystem, in_units
from monitor.cli import FAMILIES, HEADINGS
from monitor.errors import QuantityError

BY_NAME: dict[str, click.Command] = {
    name: getattr(importlib.import_module(f"monitor.commands.{module}"), f"{name}_command")
    for name, module in FAMILIES.items()
    if module in HEADINGS["Figures"]
}

BATCH = ["--volume", "18L", "--gravity", "0.998", "--original-gravity", "1.040"]
DOSED = ["--volume", "5gal", "--ph", "3.5", "--alcohol", "5.3%"]
PRIMED = ["2.5", "--volume", "18L", "--gravity", "0.998", "--warmest", "18C", "--bottle", "sparkling"]

EXAMPLES: list[list[str]] = [
    ["density", "1.040", "--at", "86F"],
    ["density", "10degP"],
    ["density", "0.998", "--at", "25C", "--original-gravity", "1.100"],
    ["density", "1.040", "--at", "10C", "--plastic", "--made-for", "60F"],
    ["alcohol", "1.040", "0.998", "--serving", "12 fl oz"],
    ["expect", "1.040", "--fermentable", "85.5%"],
    ["expect", "1.130", "--tolerance", "12%"],
    ["honey", "--index", "1.4940"],
    ["honey", "--volume", "4.8gal", "--gravity", "1.0438", "--weighed", "5.5lb"],
    ["must", "1.042", "--vessel", "5gal", "--headroom", "0.2gal"],
    ["must", "1.045", "--volume", "10L", "--juice", "3kg", "--brix", "12", "--sugar", "100g"],
    ["correct", "1.050", "1.042", "--volume", "18L"],
    ["correct", "1.030", "1.042", "--volume", "18L", "--vessel", "18L", "--with", "sugar"],
    ["sweeten", "1.010", *BATCH],
    ["sweeten", "1.010", *BATCH, "--vessel", "18.2L", "--with", "honey"],
    ["sweeten", "1.010", *BATCH, "--cooked", "1kg", "900g"],
    ["blend", "18L,0.998,5.5%", "5L,1.030,11%"],
    ["blend", "18L,0.998,5.5%", "5L,1.030,11%", "--to-gravity", "1.005"],
    ["blend", "18L,0.998,5.5%", "5L,1.030,11%", "--to-alcohol", "7%"],
    ["dilute", *BATCH, "--to-alcohol", "4%"],
    ["dilute", *BATCH, "--to-gravity", "0.999"],
    ["sulfite", *DOSED],
    ["sulfite", *DOSED, "--salt", "sodium", "--open-for", "700 days", "--free", "10 mg/L"],
    ["sulfite", *DOSED, "--constant", "mixed", "--bound", "30%", "--total", "40 mg/L"],
    ["sulfite", *DOSED, "--constant", "mixed", "--temperature", "4C"],
    ["sulfite", "--volume", "5gal", "--ph", "4.2", "--alcohol", "5.5%"],
    ["sorbate", *DOSED],
    ["sorbate", "--volume", "18L", "--ph", "3.3", "--alcohol", "12%", "--molecular", "0.8 mg/L"],
    ["sorbate", *DOSED, "--malolactic"],
    ["acid", "--volume", "5gal", "--rise", "0.396 g/L"],
    ["acid", "--volume", "18L", "--rise", "1 g/L", "--with", "lactic", "--solution", "80%", "--by", "mass"],
    ["nutrient", "1.040", "--volume", "18L", "--demand", "high", "--split", "four"],
    ["infusion", "--volume", "18L", "--amount", "10g", "--for", "5L"],
    ["keg", "3", "--at", "4C"],
    ["prime", *PRIMED, "--phase", "finished", "--ends-at", "0.998"],
    ["prime", *PRIMED, "--phase", "active"],
    ["sealed", "1.010", "0.998", "--headspace", "5%"],
    ["pasteurise", "--target", "40", "--at", "65C"],
    ["pasteurise", "--sealed", "--dissolved", "3"],
]  # fmt: skip


def run(words: list[str], **extra: Any) -> Any:
    command = BY_NAME[words[0]]
    assert command is not None
    return CliRunner().invoke(command, words[1:], catch_exceptions=False, **extra)


def as_json(words: list[str]) -> Any:
    result = run([*words, "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def cautions_in(value: Any) -> list[str]:
    """The caution texts of a result, wherever in it they stand."""
    if isinstance(value, list):
        return [text for one in value for text in cautions_in(one)]
    if isinstance(value, dict):
        own = [one["text"] for one in value.get("cautions", [])]
        return own + [text for key, one in value.items() if key != "cautions" for text in cautions_in(one)]
    return []


@pytest.mark.parametrize("words", EXAMPLES, ids=" ".join)
def test_every_caution_is_printed(words: list[str]) -> None:
    """Whatever cautions the result holds are in the text, in either system of units."""
    texts = cautions_in(as_json(words))
    for units in ("metric", "us"):
        result = run([*words, "--units", units])
        assert result.exit_code == 0, result.output
        printed = " ".join(result.stdout.split())
        for text in texts:
            assert " ".join(in_units(text, UnitSystem(units)).split()) in printed


@pytest.mark.parametrize("words", EXAMPLES, ids=" ".join)
def test_text_stays_in_its_columns(words: list[str]) -> None:
    """No line is wider than 100 columns, so that a narrow window can show it."""
    assert max(map(len, run(words).stdout.splitlines())) <= 100


def test_every_command_has_an_example_here() -> None:
    """The examples above leave no calculator out."""
    assert {words[0] for words in EXAMPLES} == set(BY_NAME)


@pytest.mark.parametrize("command", BY_NAME.values(), ids=BY_NAME)
def test_every_command_explains_itself(command: click.Command) -> None:
    """Each has a one-line summary and offers units and JSON."""
    assert command.get_short_help_str()
    names = {option for parameter in command.params for option in parameter.opts}
    assert {"--units", "--json"} <= names


def test_the_worked_example_comes_out() -> None:
    """691.3 g of honey bring 18 L from 0.998 to 1.010, in 18.4718 L (worked example, evaluated apart)."""
    honey = as_json(["sweeten", "1.010", *BATCH, "--with", "honey"])[0]
    assert honey["mass_g"] == pytest.approx(691.3, abs=0.06)
    assert honey["volume_l"] == pytest.approx(18.4718, abs=6e-5)
    assert honey["abv"] == pytest.approx(5.335, abs=6e-4)


def test_75_ml_of_ten_per_cent_go_into_five_gallons() -> None:
    """75 mL of 10 % acid in 5 US gal are 0.395 g/L (common practice; 7.5 g in 19.00 L)."""
    dose = as_json(["acid", "--volume", "5gal", "--rise", "0.3947 g/L"])
    assert dose["solution_ml"] == pytest.approx(75.0, abs=0.1)


def test_amounts_are_shown_in_both_systems() -> None:
    """The chosen system comes first, the other in brackets."""
    assert "691 g (1 lb 8.4 oz)" in run(["sweeten", "1.010", *BATCH]).stdout
    assert "1 lb 8.4 oz (691 g)" in run(["sweeten", "1.010", *BATCH, "--units", "us"]).stdout


def test_units_come_from_the_configuration(tmp_path: Path) -> None:
    """What display.units says holds where --units is not given, and the environment goes before it."""
    config = tmp_path / "carboyd.toml"
    config.write_text('[display]\nunits = "us"\n', encoding="utf-8")
    words = ["sweeten", "1.010", *BATCH, "--config", str(config)]
    assert "1 lb 8.4 oz (691 g)" in run(words).stdout
    assert "691 g (1 lb 8.4 oz)" in run(words, env={"CARBOYD_DISPLAY__UNITS": "metric"}).stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["density", "2"], "0.95 sg to 1.5 sg"),
        (["density", "1.040", "--at", "86"], "the unit is missing"),
        (["sulfite", "--volume", "18L", "--ph", "12", "--alcohol", "5%"], "2 to 6 is possible"),
        (["sulfite", "--volume", "18 kg", "--ph", "3.5", "--alcohol", "5%"], "kg is no unit of volume"),
        (["sweeten", "1.010", "--volume", "18L", "--gravity", "0.998"], "either --original-gravity or"),
        (["blend", "18L,0.998"], "18L,0.998,5.5%"),
        (["blend", "18L,0.998,5.5%", "--to-gravity", "1.0"], "takes two batches"),
        (["dilute", *BATCH], "either --to-gravity or --to-alcohol"),
        (["honey"], "give --index"),
        (["acid", "--volume", "18L", "--rise", "1 g/L", "--solution", "85%"], "say --by mass"),
    ],
)  # fmt: skip
def test_wrong_words_are_usage_errors(words: list[str], says: str) -> None:
    """A wrong or missing unit, an impossible value or a missing option is said with what is right."""
    result = run(words)
    assert result.exit_code == 2
    assert says in " ".join(result.stderr.split())


def test_a_target_below_the_gravity_names_the_range() -> None:
    """Sweetening cannot lower a gravity, and the error says between what the target must lie."""
    with pytest.raises(QuantityError, match=r"target gravity 0\.99 is outside 0\.998 to 1\.15"):
        run(["sweeten", "0.990", *BATCH])


def test_no_priming_sugar_for_an_unfinished_batch() -> None:
    """A batch that is not finished gets every reason and no weight."""
    refused = as_json(["prime", *PRIMED, "--phase", "active"])
    assert "not finished" in refused["reasons"]
    assert "sugar_g" not in refused
    text = run(["prime", *PRIMED, "--phase", "active"]).stdout
    assert text.startswith("no sugar")


def test_the_lowest_end_is_not_the_likely_one() -> None:
    """A must of 1.040 that is rich in what ferments (94.3 % of the solids) ends at 0.9938 by Balling's
    balance, worked out apart: that is printed, and what the original gravity gives for bottles."""
    ending = as_json(["expect", "1.040"])
    assert ending["lowest_gravity_sg"] == pytest.approx(0.9938, abs=1e-4)
    assert ending["all_fermented_gravity_sg"] < ending["lowest_gravity_sg"] < ending["final_gravity_sg"]
    assert "could end as low as" in run(["expect", "1.040"]).stdout
    refused = as_json(["prime", *PRIMED, "--phase", "finished", "--original-gravity", "1.040"])
    assert refused["reasons"] == ["fermentable sugar left"]
    assert "to 0.994" in refused["sentences"][0]


def test_no_sulfite_where_acid_comes_first() -> None:
    """Above pH 3.8 the first words are that there is none yet, and no weight is for the batch as it is."""
    words = ["sulfite", "--volume", "5gal", "--ph", "4.2", "--alcohol", "5.5%"]
    assert run(words).stdout.startswith("no sulfite yet")
    refused = as_json(words)
    assert "salt_g" not in refused
    assert refused["after_acid"]["most_total_after_mg_l"] < 200.0


def test_the_bottle_has_to_be_named() -> None:
    """No bottle is taken for granted: the strongest would be wrong for most."""
    result = run(["prime", *PRIMED[: PRIMED.index("--bottle")], "--phase", "finished", "--ends-at", "0.998"])
    assert result.exit_code == 2
    assert "Missing option '--bottle'" in result.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["1.040", "--at", "110C"], "0 to 50 degC"),
        (["1.040", "--at", "-8C"], "0 to 50 degC"),
        (["1.040", "--made-for", "60C"], "0 to 50 degC"),
        (["0.960", "--at", "45C"], "0 to 40 degC"),
        (["1.010", "--at", "45C", "--original-gravity", "1.100"], "0 to 40 degC"),
    ],
)
def test_no_reading_is_corrected_where_no_sample_is_read(words: list[str], says: str) -> None:
    """As for a batch's sample, 0 to 50 degC, and no further than OIML R 22 goes where alcohol is in it."""
    with pytest.raises(QuantityError, match=says):
        run(["density", *words])


def test_no_heating_of_sealed_carbonated_bottles() -> None:
    """With 3 volumes in closed bottles no time is given."""
    refused = as_json(["pasteurise", "--sealed", "--dissolved", "3"])
    assert "minutes" not in refused


def test_a_calculator_starts_without_store_and_settings() -> None:
    """Importing the calculators loads neither the database layer nor the settings library."""
    modules = ", ".join(f"monitor.commands.{module}" for module in HEADINGS["Figures"])
    code = (
        f"import sys, {modules}; "
        "print(sorted({'sqlalchemy', 'pydantic', 'paho', 'matplotlib', 'pint'} & set(sys.modules)))"
    )
    answer = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"
