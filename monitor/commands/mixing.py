"""Calculators of what is put together: building a must, correcting it, sweetening, blending, thinning."""

from __future__ import annotations

from collections.abc import Sequence

import click

from monitor import quantities
from monitor.cellar.blending import (
    Blend,
    BlendRatio,
    blend,
    blend_to_gravity,
    blend_to_strength,
    dilute_to_gravity,
    dilute_to_strength,
)
from monitor.cellar.building import Portion, Recipe, build_must, correct_must
from monitor.cellar.sweetening import SPOONFUL_L, USUAL_HEADROOM_SHARE, Sweetening, sweeten_with_each
from monitor.commands.figures import (
    GRAVITY,
    MASS,
    SHARE,
    STRENGTH,
    VOLUME,
    Output,
    Row,
    output_options,
    tell,
    tell_each,
)
from monitor.must.alcohol import composition, composition_by_strength
from monitor.must.honey import (
    DEFAULT_FERMENTABLE_SHARE,
    DEFAULT_MOISTURE,
    DEXTROSE,
    LACTOSE,
    SUGAR,
    Sweetener,
    cooked_honey,
    honey,
    juice,
)
from monitor.must.liquid import Liquid

SWEETENERS = ("honey", "sugar", "dextrose", "lactose")

_MOISTURE = click.option(
    "--moisture", type=SHARE, default=str(DEFAULT_MOISTURE), show_default=True, help="Of the honey."
)
_FERMENTABLE = click.option(
    "--fermentable", type=SHARE, default=str(DEFAULT_FERMENTABLE_SHARE), show_default=True,
    help="Share of the honey's solids that yeast can take.",
)  # fmt: skip
_VESSEL = click.option("--vessel", "vessel_l", type=VOLUME, help="To the brim.")


def _sweetener(name: str, moisture: float, fermentable: float) -> Sweetener:
    known = {"sugar": SUGAR, "dextrose": DEXTROSE, "lactose": LACTOSE}
    return known[name] if name in known else honey(moisture, fermentable)


def _batch(volume_l: float, gravity: float, original_gravity: float | None, abv: float | None) -> Liquid:
    """The masses of a batch, from its strength or from both gravities."""
    if (original_gravity is None) == (abv is None):
        raise click.UsageError("give either --original-gravity or --alcohol")
    if abv is not None:
        return composition_by_strength(abv, gravity).of_volume(volume_l)
    assert original_gravity is not None
    return composition(original_gravity, gravity).of_volume(volume_l)


@click.command("must")
@click.argument("target", type=GRAVITY)
@click.option("--volume", "volume_l", type=VOLUME, help="To make; the vessel less its headroom otherwise.")
@_VESSEL
@click.option(
    "--headroom", "headroom_l", type=VOLUME, default="0 L", help="To leave free for what is added later."
)
@click.option("--with", "name", type=click.Choice(SWEETENERS), default="honey", show_default=True,
              help="What is worked out; the rest is given.")  # fmt: skip
@_MOISTURE
@_FERMENTABLE
@click.option("--sugar", "sugar_g", type=MASS, help="That goes in anyway.")
@click.option("--juice", "juice_g", type=MASS, help="That goes in anyway, by weight.")
@click.option("--brix", type=float, default=12.0, show_default=True, help="Of that juice.")
@click.option("--tolerance", type=STRENGTH, help="Alcohol the yeast stands.")
@output_options
def must_command(
    target: float,
    volume_l: float | None,
    vessel_l: float | None,
    headroom_l: float,
    name: str,
    moisture: float,
    fermentable: float,
    sugar_g: float | None,
    juice_g: float | None,
    brix: float,
    tolerance: float | None,
    output: Output,
) -> None:
    """Honey and water for a must of the TARGET gravity."""
    others = []
    if sugar_g is not None:
        others.append(Portion(SUGAR, sugar_g))
    if juice_g is not None:
        others.append(Portion(juice(brix), juice_g))
    recipe = build_must(
        target,
        volume_l,
        _sweetener(name, moisture, fermentable),
        others=others,
        vessel_l=vessel_l,
        headroom_l=headroom_l,
        alcohol_tolerance_abv=tolerance,
    )
    tell(output, recipe, _recipe_rows(recipe, output))


def _recipe_rows(recipe: Recipe, output: Output) -> list[Row]:
    rows = [(portion.sweetener.name, output.mass(portion.mass_g)) for portion in recipe.portions]
    rows.append(("water", output.volume(recipe.water_l)))
    rows.append(("makes", f"{output.volume(recipe.volume_l)} at {recipe.gravity_sg:.4f}"))
    if recipe.free_l is not None:
        rows.append(("left free in the vessel", _left_free(recipe.free_l, output)))
    rows.append(("should end at", f"{recipe.expected_final_gravity_sg:.3f}"))
    rows.append(("  with alcohol", f"{recipe.expected_abv:.1f} % by volume"))
    return rows


@click.command("correct")
@click.argument("gravity", type=GRAVITY)
@click.argument("target", type=GRAVITY)
@click.option("--volume", "volume_l", type=VOLUME, required=True)
@click.option("--with", "name", type=click.Choice(SWEETENERS), default="honey", show_default=True)
@_MOISTURE
@_FERMENTABLE
@_VESSEL
@output_options
def correct_command(
    gravity: float,
    target: float,
    volume_l: float,
    name: str,
    moisture: float,
    fermentable: float,
    vessel_l: float | None,
    output: Output,
) -> None:
    """Bring a must that has not begun to ferment from GRAVITY to TARGET, up or down."""
    fix = correct_must(volume_l, gravity, target, _sweetener(name, moisture, fermentable), vessel_l)
    rows: list[Row] = []
    if fix.draw_off_l > 0.0:
        rows.append(("take out first", output.volume(fix.draw_off_l)))
    if fix.addition is not None:
        rows.append((f"add {fix.addition.sweetener.name}", output.mass(fix.addition.mass_g)))
    else:
        rows.append(("add water", output.volume(fix.water_l)))
    rows.append(("makes", f"{output.volume(fix.volume_l)} at {fix.target_sg:.4f}"))
    tell(output, fix, rows)


@click.command("sweeten")
@click.argument("target", type=GRAVITY)
@click.option("--volume", "volume_l", type=VOLUME, required=True)
@click.option("--gravity", type=GRAVITY, required=True, help="As it is now.")
@click.option("--original-gravity", type=GRAVITY, help="Before the ferment; or give --alcohol.")
@click.option("--alcohol", "abv", type=STRENGTH)
@click.option("--with", "names", type=click.Choice(SWEETENERS), multiple=True, help="All of them otherwise.")
@_MOISTURE
@_FERMENTABLE
@click.option("--cooked", type=(MASS, MASS), metavar="RAW LEFT",
              help="Honey cooked down instead: its weight raw, and what was left of it.")  # fmt: skip
@_VESSEL
@click.option("--headroom", type=SHARE, default=f"{100.0 * USUAL_HEADROOM_SHARE:g}%", show_default=True,
              help="Of the vessel, to stay free.")  # fmt: skip
@output_options
def sweeten_command(
    target: float,
    volume_l: float,
    gravity: float,
    original_gravity: float | None,
    abv: float | None,
    names: Sequence[str],
    moisture: float,
    fermentable: float,
    cooked: tuple[float, float] | None,
    vessel_l: float | None,
    headroom: float,
    output: Output,
) -> None:
    """What brings a finished batch to the TARGET gravity, sweetener by sweetener, in tasted steps."""
    base = _batch(volume_l, gravity, original_gravity, abv)
    if cooked is not None:
        chosen = [cooked_honey(honey(moisture, fermentable), *cooked)]
    else:
        chosen = [_sweetener(name, moisture, fermentable) for name in names or SWEETENERS]
    results = sweeten_with_each(base, target, chosen, vessel_l, headroom)
    tell_each(output, [(result, _sweetening_rows(result, output)) for result in results])


def _sweetening_rows(result: Sweetening, output: Output) -> list[Row]:
    rows: list[Row] = [(result.sweetener.name, output.mass(result.mass_g))]
    if result.draw_off_l > 0.0:
        rows.append(("  take out first", output.volume(result.draw_off_l)))
    for name, step in zip(("half", "a quarter", "a quarter"), result.steps, strict=True):
        rows.append((f"  {name}", f"{output.mass(step.adds_g)}, then {step.gravity_sg:.4f}"))
    rows.append(("  makes", f"{output.volume(result.volume_l)} at {result.target_sg:.4f}"))
    rows.append(("  alcohol", f"{result.abv:.2f} % by volume, from {result.from_abv:.2f}"))
    rows.append(("  solids", output.per_volume(result.extract_g_per_l)))
    if result.free_l is not None:
        rows.append(("  fits the vessel", _fit(result)))
        rows.append(("  left free in it", _left_free(result.free_l, output)))
    return rows


def _fit(result: Sweetening) -> str:
    if not result.fits:
        return "only after taking some out"
    if result.draw_off_l > 0.0:
        return "with its headroom only after taking some out"
    return "yes" if result.has_headroom else "only to the brim"


def _left_free(free_l: float, output: Output) -> str:
    return output.volume(free_l) if free_l >= SPOONFUL_L else "nothing: it is full to the brim"


def _part(text: str) -> Liquid:
    """A batch written as volume, gravity and strength: `18L,0.998,5.5%`."""
    fields = text.split(",")
    if len(fields) != 3:
        raise click.UsageError(f"{text!r} is not volume, gravity and alcohol: 18L,0.998,5.5%")
    volume_l, gravity, abv = (
        quantities.volume_l(fields[0]),
        quantities.gravity_sg(fields[1]),
        quantities.strength_abv(fields[2]),
    )
    return composition_by_strength(abv, gravity).of_volume(volume_l)


@click.command("blend")
@click.argument("parts", nargs=-1, required=True, metavar="VOLUME,GRAVITY,ALCOHOL...")
@click.option("--to-gravity", type=GRAVITY, help="How much of the second brings all of the first there.")
@click.option("--to-alcohol", type=STRENGTH, help="The same for a strength.")
@output_options
def blend_command(
    parts: Sequence[str], to_gravity: float | None, to_alcohol: float | None, output: Output
) -> None:
    """What comes of pouring batches together, each written as 18L,0.998,5.5%."""
    liquids = [_part(text) for text in parts]
    if to_gravity is None and to_alcohol is None:
        poured = blend(liquids)
        tell(output, poured, _blend_rows(poured, output))
        return
    if len(liquids) != 2 or (to_gravity is not None and to_alcohol is not None):
        raise click.UsageError("a target takes two batches, and is a gravity or a strength")
    if to_gravity is not None:
        ratio = blend_to_gravity(liquids[0], liquids[1], to_gravity)
    else:
        assert to_alcohol is not None
        ratio = blend_to_strength(liquids[0], liquids[1], to_alcohol)
    tell(output, ratio, _ratio_rows(ratio, output))


def _blend_rows(poured: Blend, output: Output) -> list[Row]:
    return [
        ("makes", f"{output.volume(poured.volume_l)} at {poured.gravity_sg:.4f}"),
        ("alcohol", f"{poured.abv:.2f} % by volume"),
        ("solids", output.per_volume(poured.extract_g_per_l)),
        ("swells by" if poured.shrinks_l < 0.0 else "shrinks by", f"{1e3 * abs(poured.shrinks_l):.1f} mL"),
    ]


def _ratio_rows(ratio: BlendRatio, output: Output) -> list[Row]:
    return [
        ("first", output.volume(ratio.first_l)),
        ("second", output.volume(ratio.second_l)),
        *_blend_rows(ratio.blend, output),
    ]


@click.command("dilute")
@click.option("--volume", "volume_l", type=VOLUME, required=True)
@click.option("--gravity", type=GRAVITY, required=True)
@click.option("--original-gravity", type=GRAVITY, help="Before the ferment; or give --alcohol.")
@click.option("--alcohol", "abv", type=STRENGTH)
@click.option("--to-gravity", type=GRAVITY)
@click.option("--to-alcohol", type=STRENGTH)
@output_options
def dilute_command(
    volume_l: float,
    gravity: float,
    original_gravity: float | None,
    abv: float | None,
    to_gravity: float | None,
    to_alcohol: float | None,
    output: Output,
) -> None:
    """Water that brings a batch to a gravity or a strength."""
    base = _batch(volume_l, gravity, original_gravity, abv)
    if (to_gravity is None) == (to_alcohol is None):
        raise click.UsageError("give either --to-gravity or --to-alcohol")
    if to_gravity is not None:
        thinner = dilute_to_gravity(base, to_gravity)
    else:
        assert to_alcohol is not None
        thinner = dilute_to_strength(base, to_alcohol)
    tell(output, thinner, [("water", output.volume(thinner.water_l)), *_blend_rows(thinner.blend, output)])
