"""Calculators of gas and heat: the keg, priming, what a sealed bottle would hold, pasteurising."""

from __future__ import annotations

from pathlib import Path

import click

from monitor.cellar.carbonation import KegPressure, PrimingSugar, keg_pressure
from monitor.cellar.ending import lowest_final_gravity_sg
from monitor.cellar.heating import Heating, History, heating, read_history
from monitor.cellar.pasteurising import Hold, hold
from monitor.cellar.pressure import DISSOLVED_VOLUMES, SealedPressure, Vessel, sealed_pressure
from monitor.cellar.priming import BottlingState, Priming, PrimingRefusal, priming
from monitor.commands.figures import (
    GRAVITY,
    SHARE,
    STRENGTH,
    TEMPERATURE,
    VOLUME,
    Output,
    Row,
    output_options,
    tell,
)
from monitor.errors import InputError
from monitor.ferment.emission import Phase

_SUGARS = {"sugar": PrimingSugar.SUCROSE, "dextrose": PrimingSugar.GLUCOSE_MONOHYDRATE,
           "honey": PrimingSugar.HONEY}  # fmt: skip
_VESSELS = {
    "sparkling": Vessel.SPARKLING_WINE_BOTTLE,
    "beer": Vessel.BEER_BOTTLE,
    "wine": Vessel.STILL_WINE_BOTTLE,
    "clip-top": Vessel.CLIP_TOP_JAR,
    "carboy": Vessel.CARBOY,
}


@click.command("keg", context_settings={"ignore_unknown_options": True})
@click.argument("volumes", type=float)
@click.option("--at", "temperature_c", type=TEMPERATURE, required=True, help="Of the keg.")
@output_options
def keg_command(volumes: float, temperature_c: float, output: Output) -> None:
    """Regulator pressure that holds so many VOLUMES of carbon dioxide."""
    found = keg_pressure(volumes, temperature_c)
    tell(output, found, _keg_rows(found, output))


def _keg_rows(found: KegPressure, output: Output) -> list[Row]:
    return [
        ("regulator", output.pressure(found.gauge_kpa)),
        ("  up to, where it is sweet", output.pressure(found.highest_gauge_kpa)),
        ("for", f"{found.volumes:g} volumes at {output.temperature(found.temperature_c)}"),
        ("takes", f"{found.days_at_rest[0]} to {found.days_at_rest[1]} days at rest,"
                  f" {found.days_rocked[0]} to {found.days_rocked[1]} rocked"),
    ]  # fmt: skip


@click.command("prime")
@click.argument("volumes", type=float)
@click.option("--volume", "volume_l", type=VOLUME, required=True)
@click.option("--gravity", type=GRAVITY, required=True, help="Of a degassed hand sample.")
@click.option("--ends-at", type=GRAVITY,
              help="The lowest gravity that it could end at, not the likely one: where a sample with fresh"
              " yeast ended, or what `carboyd expect` prints as 'could end as low as'.")  # fmt: skip
@click.option(
    "--original-gravity",
    type=GRAVITY,
    help="Of a must of honey alone: gives the lowest end without --ends-at.",
)
@click.option("--warmest", type=TEMPERATURE, required=True, help="Since the gas stopped coming.")
@click.option("--phase", type=click.Choice([one.value for one in Phase]), required=True,
              help="Where the ferment stands; `carboyd status` says.")  # fmt: skip
@click.option("--stabilised", is_flag=True, help="With sorbate, heat or sterile filtration.")
@click.option("--sweetened", is_flag=True, help="Fermentable sweetener or fruit went in after the ferment.")
@click.option("--with", "sugar", type=click.Choice([*_SUGARS]), default="sugar", show_default=True)
@click.option("--bottle", type=click.Choice([*_VESSELS]), required=True, help="What it goes into.")
@output_options
def prime_command(
    volumes: float,
    volume_l: float,
    gravity: float,
    ends_at: float | None,
    original_gravity: float | None,
    warmest: float,
    phase: str,
    stabilised: bool,
    sweetened: bool,
    sugar: str,
    bottle: str,
    output: Output,
) -> None:
    """Sugar for a second ferment in the bottle to so many VOLUMES, or why there must be none."""
    ends_at, reckoned = _lowest_end(ends_at, original_gravity)
    state = BottlingState(
        phase=Phase(phase),
        gravity_sg=gravity,
        expected_final_gravity_sg=ends_at,
        volume_l=volume_l,
        warmest_c=warmest,
        stabilised=stabilised,
        sweetened=sweetened,
    )
    found = priming(state, volumes, _SUGARS[sugar], vessel=_VESSELS[bottle])
    if isinstance(found, PrimingRefusal):
        rows = [("no sugar", ", ".join(reason.value for reason in found.reasons))]
        rows += [("  because", sentence) for sentence in found.sentences]
        tell(output, found, rows + reckoned)
        return
    tell(output, found, _priming_rows(found, output) + reckoned)


def _lowest_end(ends_at: float | None, original_gravity: float | None) -> tuple[float | None, list[Row]]:
    """The lowest end to reckon with, and which option it is by; the one given goes before the balance."""
    if original_gravity is None:
        return ends_at, [] if ends_at is None else [("lowest end", f"{ends_at:.3f}, by --ends-at")]
    balance = lowest_final_gravity_sg(original_gravity)
    if ends_at is None:
        return balance, [("lowest end", f"{balance:.3f}, by --original-gravity")]
    return ends_at, [("lowest end", f"{ends_at:.3f}, by --ends-at; --original-gravity, which gives"
                                    f" {balance:.3f}, was not used")]  # fmt: skip


def _priming_rows(found: Priming, output: Output) -> list[Row]:
    return [
        (found.sugar.value, output.mass(found.sugar_g)),
        ("  in the batch", output.per_volume(found.sugar_g_per_l)),
        ("there already", f"{found.residual_volumes:.2f} volumes"),
        ("pressure at 20 degC", output.pressure(found.gauge_kpa)),
        ("  at 30 degC", output.pressure(found.warm_gauge_kpa)),
        ("  at 30 degC, at the worst", output.pressure(found.worst_gauge_kpa)),
    ]


@click.command("sealed")
@click.argument("gravity", type=GRAVITY)
@click.argument("could_end", type=GRAVITY)
@click.option("--at", "temperature_c", type=TEMPERATURE, default="20C", show_default=True)
@click.option("--alcohol", "abv", type=STRENGTH, default="5%", show_default=True, help="Now.")
@click.option(
    "--dissolved", type=float, default=DISSOLVED_VOLUMES, show_default=True, help="Volumes in it now."
)
@click.option(
    "--headspace",
    type=SHARE,
    help="Room over the liquid, of its volume; the worse of none and 4 % where it is not given.",
)
@output_options
def sealed_command(
    gravity: float,
    could_end: float,
    temperature_c: float,
    abv: float,
    dissolved: float,
    headspace: float | None,
    output: Output,
) -> None:
    """What a sealed vessel would hold if what is in it fermented from GRAVITY to where it COULD_END."""
    found = sealed_pressure(
        gravity,
        could_end,
        temperature_c=temperature_c,
        abv=abv,
        dissolved_volumes=dissolved,
        headspace_share=headspace,
    )
    tell(output, found, _sealed_rows(found, output))


def _sealed_rows(found: SealedPressure, output: Output) -> list[Row]:
    return [
        ("carbon dioxide made", f"{found.volumes_made:.2f} volumes ({found.co2_made_g_per_l:.1f} g/L)"),
        ("  with what is there", f"{found.volumes_total:.2f} volumes"),
        ("pressure", f"{output.pressure(found.gauge_kpa)} at {output.temperature(found.temperature_c)}"),
        (
            "  in a warm place",
            f"{output.pressure(found.warm_gauge_kpa)} at {output.temperature(found.warm_c)}",
        ),
        *((vessel.value, f"{danger.value} use in a warm place") for vessel, danger in found.dangers),
    ]


@click.command("pasteurise")
@click.option("--target", type=click.FloatRange(0.0, 1000.0), default=40.0, show_default=True, help="Units.")
@click.option("--at", "temperature_c", type=TEMPERATURE, default="65C", show_default=True)
@click.option("--sealed", is_flag=True, help="In closed bottles.")
@click.option(
    "--dissolved", type=float, default=DISSOLVED_VOLUMES, show_default=True, help="Volumes of CO2 in it."
)
@click.option("--history", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="CSV of minutes and temperature at the coldest spot, headed minutes,degC or minutes,degF:"
              " what that heating did.")  # fmt: skip
@output_options
def pasteurise_command(
    target: float,
    temperature_c: float,
    sealed: bool,
    dissolved: float,
    history: Path | None,
    output: Output,
) -> None:
    """How long to hold a still batch hot, or what a heating that was recorded has done."""
    if history is not None:
        done = heating(_history(history), sealed=sealed, dissolved_volumes=dissolved)
        tell(output, done, _heating_rows(done, output))
        return
    planned = hold(target, temperature_c, sealed=sealed, dissolved_volumes=dissolved)
    if isinstance(planned, Hold):
        minutes = f"{planned.minutes:.1f} minutes at {output.temperature(planned.temperature_c)}"
        tell(output, planned, [("hold", minutes), ("units", f"{planned.target_pu:g}")])
        return
    tell(output, planned, [("no time", planned.sentence)])


def _heating_rows(done: Heating, output: Output) -> list[Row]:
    said = "as its heading says" if done.unit_said else "no heading says so"
    rows = [] if done.refusal is None else [("never so", done.refusal.sentence)]
    return [
        *rows,
        ("units", f"{done.pasteurising_units:.1f}"),
        ("warmest", output.temperature(done.warmest_c)),
        ("readings", f"{done.readings}, taken as {done.unit}: {said}"),
    ]


def _history(path: Path) -> History:
    """The table of a heating."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path.name} cannot be read: {error}") from error
    return read_history(text, path.name)
