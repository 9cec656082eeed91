"""The plan of a kept batch, by command."""

from __future__ import annotations

import pytest

from monitor.errors import InputError, PackagedError


@pytest.fixture
def finished(carboyd_command):
    """A batch with a fresh hand sample."""
    carboyd_command(
        "batch", "start", "Porch", "--kind", "honey", "--original-gravity", "1.040", "--volume", "18L",
        "--capacity", "20L", "--ph", "3.4", "--pitched", "14d ago",
    )  # fmt: skip
    carboyd_command("batch", "sample", "porch", "0.998")


def test_the_plan_uses_the_batchs_own_numbers(carboyd_command, finished):
    """18.0 L at 0.998 to 1.010: 691 g of honey by the mass balance (worked example, ternary density)."""
    shown = carboyd_command("plan", "porch", "--sweeten-to", "1.010").output
    assert "18.0 L" in shown
    assert "0.998" in shown
    assert "691 g" in shown
    assert "Caution" in shown


def test_a_batch_that_is_not_known_to_have_finished_is_said_to_be_so(carboyd_command, finished, tmp_path):
    """Text and Markdown begin with what the page begins with."""
    for form in ("text", "markdown"):
        shown = " ".join(carboyd_command("plan", "porch", "--format", form).output.split())
        assert "finished" in shown[: shown.index("volume")]
        assert "as if it stayed where it is now" in shown


def test_a_sample_in_doubt_stands_at_the_head_of_the_plan(carboyd_command, finished):
    """Taken back or measured anew first; with a gravity that is given it is settled."""
    said = carboyd_command("batch", "sample", "porch", "1.012").output
    assert "That is 14 points above the sample before it, with no sugar in the journal between them" in said
    assert "take-back porch" in said
    assert (
        "(in doubt: 14 points above the sample before it" in carboyd_command("batch", "show", "porch").output
    )
    head, _, rest = carboyd_command("plan", "porch").output.partition("Worked out from")
    words = " ".join(head.replace("! ", "").split())
    assert "taken just now reads 14 points above the one before it, and no sugar is in" in words
    assert "before anything is done." not in " ".join(rest.split())
    assert "before anything is done" in carboyd_command("plan", "porch", "--format", "markdown").output
    assert "before anything is done" not in carboyd_command("plan", "porch", "--gravity", "1.000").output


def test_a_stall_and_a_new_ferment_stand_at_the_head_of_the_plan(carboyd_command):
    """By hand samples alone; a gravity that is given does not take them away."""
    carboyd_command(
        "batch", "start", "Slow", "--kind", "honey", "--original-gravity", "1.100", "--volume", "18L",
        "--pitched", "40d ago",
    )  # fmt: skip
    for gravity, when in (("1.075", "35d ago"), ("1.060", "30d ago"), ("1.060", "24d ago")):
        carboyd_command("batch", "sample", "slow", gravity, "--at", when)
    for more in ((), ("--gravity", "1.060")):
        head = carboyd_command("plan", "slow", *more).output.partition("Worked out from")[0]
        words = " ".join(head.replace("! ", "").split())
        assert "It is likelier stalled than finished: do not bottle, it may go on." in words
    carboyd_command("batch", "sample", "slow", "1.000", "--at", "14d ago")
    carboyd_command("batch", "sample", "slow", "1.000", "--at", "11d ago")
    carboyd_command("batch", "event", "slow", "stabilised", "--at", "10d ago")
    carboyd_command("batch", "event", "slow", "sweetened", "--at", "8d ago")
    carboyd_command("batch", "sample", "slow", "1.010", "--at", "7d ago")
    carboyd_command("batch", "sample", "slow", "1.006")
    for more in ((), ("--gravity", "1.006")):
        shown = carboyd_command("plan", "slow", "--sweeten-to", "1.010", *more).output
        words = " ".join(shown.partition("Worked out from")[0].replace("! ", "").split())
        assert "It is fermenting again." in words
        assert "fell 4.0 points in 7 days, from 1.0100 to 1.0060" in words
        assert "Closed bottles can burst" in words


def test_the_plan_is_written_as_markdown_and_pdf(carboyd_command, finished, tmp_path):
    """Markdown has a heading, a PDF is a PDF."""
    markdown, pdf = tmp_path / "plan.md", tmp_path / "plan.pdf"
    assert carboyd_command("plan", "porch", "--format", "markdown", "--output", str(markdown)).exit_code == 0
    assert markdown.read_text().startswith("# Plan for Porch")
    assert carboyd_command("plan", "porch", "--format", "pdf", "--output", str(pdf)).exit_code == 0
    assert pdf.read_bytes().startswith(b"%PDF-")


def test_a_target_below_the_present_gravity_is_refused(carboyd_command, finished):
    """Honey cannot make it drier."""
    done = carboyd_command("plan", "porch", "--sweeten-to", "0.990")
    assert isinstance(done.exception, InputError)
    assert "0.9980" in str(done.exception)


def test_without_a_volume_there_is_no_plan(carboyd_command):
    """The error says what to write on the sheet."""
    carboyd_command("batch", "start", "Bare", "--pitched", "14d ago")
    carboyd_command("batch", "sample", "bare", "0.998")
    done = carboyd_command("plan", "bare")
    assert isinstance(done.exception, InputError)
    assert "volume" in str(done.exception)


def test_a_sweet_batch_is_not_called_dry(carboyd_command):
    """At 1.015 from 1.120 some 47 g/L could still ferment, whatever its yeast stands."""
    carboyd_command(
        "batch", "start", "Strong", "--original-gravity", "1.120", "--volume", "18L", "--capacity", "20L",
        "--ph", "3.6", "--tolerance", "14%", "--carbonation", "0",
    )  # fmt: skip
    shown = " ".join(carboyd_command("plan", "strong", "--gravity", "1.015").output.split())
    assert "It is not dry: about 47 g/L" in shown
    assert "Fill clean bottles" not in shown


def test_a_target_that_is_reached_leaves_the_sugar_in_sight(carboyd_command):
    """At its target nothing is added, and what is there is held all the same."""
    carboyd_command(
        "batch", "start", "Level", "--original-gravity", "1.100", "--volume", "18L", "--ph", "3.6",
        "--sweeten-to", "1.012", "--carbonation", "0",
    )  # fmt: skip
    for gravity in ("1.012", "1.013"):
        shown = " ".join(carboyd_command("plan", "level", "--gravity", gravity).output.split())
        assert "It is not dry" in shown
        assert "Decide what holds the sweetness" in shown
        assert "The sheet asks for 1.012 in the end, and it stands" in shown
        assert "Fill clean bottles" not in shown


def test_a_strong_must_can_be_planned_from_its_first_sample(carboyd_command):
    """1.165 and nothing fermented yet: figures as if it stayed there, and no fault where none is."""
    carboyd_command("batch", "start", "Dense", "--original-gravity", "1.165", "--volume", "18L")
    carboyd_command("batch", "sample", "dense", "1.165")
    done = carboyd_command("plan", "dense")
    assert done.exit_code == 0
    assert "gravity 1.165" in " ".join(done.output.split())


def test_a_mistyped_sample_is_named_and_its_way_back(carboyd_command):
    """1.2 for 1.02 at 1.050, the first of all or after another: no plan, and the sample is said to be why."""
    for slug, before in (("typo", []), ("later", ["1.049"])):
        carboyd_command("batch", "start", slug, "--original-gravity", "1.050", "--volume", "18L",
                        "--pitched", "9d ago")  # fmt: skip
        for at in before:
            carboyd_command("batch", "sample", slug, at, "--at", "8d ago")
        carboyd_command("batch", "sample", slug, "1.2")
        done = carboyd_command("plan", slug)
        assert isinstance(done.exception, InputError)
        assert "The hand sample" in str(done.exception)
        assert "take this one back" in str(done.exception)
        assert f"carboyd batch take-back {slug} LINE" in done.exception.hint


def test_what_went_in_before_is_told_by_options(carboyd_command, finished):
    """After stabilising nothing is weighed out until free SO2 and sorbate are told; then only the rest is."""
    carboyd_command("batch", "event", "porch", "stabilised", "--note", "1.82 g metabisulfite, 4.95 g sorbate")
    sweet = ("plan", "porch", "--sweeten-to", "1.010")
    shown = " ".join(carboyd_command(*sweet).output.split())
    assert "It was stabilised" in shown
    assert "Add potassium" not in shown
    told = (*sweet, "--free", "20 mg/L", "--total", "60 mg/L", "--sorbate", "1g", "--alcohol", "5.2%")
    shown = " ".join(carboyd_command(*told).output.split())
    assert "Add potassium metabisulfite" in shown
    # 200 mg/L in 18.47 L are 4.95 g (0.7464 g of sorbic acid a gram, IUPAC masses), less 1 g
    assert "potassium sorbate 3.95 g" in shown
    assert "5.2 % by volume" in shown
    shown = carboyd_command(*told, "--malolactic").output
    assert "Add potassium sorbate" not in shown
    assert "geranium" in shown


def test_the_kegs_temperature_is_told_by_an_option(carboyd_command, finished):
    """50 degF is 10 degC by definition; nothing is assumed of the keg then."""
    assert "how cold the keg stands: 4 degC" in " ".join(carboyd_command("plan", "porch").output.split())
    shown = " ".join(carboyd_command("plan", "porch", "--keg", "50F").output.split())
    assert "at 10.0 °C (50.0 °F)" in shown
    assert "how cold the keg stands" not in shown
    done = carboyd_command("plan", "porch", "--keg", "60C")
    assert "keg" in str(done.exception)


def test_a_packaged_batch_gets_no_doses(carboyd_command, finished):
    """The command says so instead of any plan, whatever options it has."""
    carboyd_command("batch", "event", "porch", "packaged")
    for more in ((), ("--gravity", "1.001"), ("--sweeten-to", "1.010"), ("--format", "markdown")):
        done = carboyd_command("plan", "porch", *more)
        assert isinstance(done.exception, PackagedError)
        assert "Porch was packaged on" in str(done.exception)
        assert done.output == ""


@pytest.mark.parametrize(
    ("change", "said"),
    [(("--carbonation", "5.5"), "No pressure can be given"), (("--ph", "5.5"), "none that a mead has")],
)
def test_one_bad_figure_does_not_lose_the_plan(carboyd_command, finished, change, said):
    """What the sheet takes and a calculator does not is said in its place; the rest stands."""
    carboyd_command("batch", "change", "porch", *change)
    shown = carboyd_command("plan", "porch").output
    assert said in " ".join(shown.split())
    assert "Add potassium metabisulfite" in shown
