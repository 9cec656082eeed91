"""Calculators of what is weighed into a batch: sulfite, sorbate, acid, nutrient, flavour."""

from __future__ import annotations

import functools

import click

from monitor.cellar.acid import CONCENTRATED_PERCENT, Acid, AcidDose, AcidSolution, Basis, acid_dose
from monitor.cellar.dissociation import PkConvention, so2_pk
from monitor.cellar.infusion import InfusionPlan, infusion_plan, scaled_g
from monitor.cellar.nutrient import (
    DIAMMONIUM_PHOSPHATE,
    YEAST_AUTOLYSATE,
    Demand,
    NutrientPlan,
    Split,
    nutrient_plan,
)
from monitor.cellar.sorbate import SorbateDose, sorbate_dose
from monitor.cellar.sulfite import (
    ACIDIFY_FIRST_PH,
    USUAL_TARGET_MG_L,
    Salt,
    SulfiteDose,
    SulfiteRefusal,
    dose_or_refusal,
    powder_strength_after,
    sulfite_dose,
)
from monitor.commands.figures import (
    CONCENTRATION,
    DURATION,
    GRAVITY,
    MASS,
    PH,
    SHARE,
    STRENGTH,
    TEMPERATURE,
    VOLUME,
    Output,
    Row,
    output_options,
    tell,
)
from monitor.errors import QuantityError

_HOURS_A_YEAR = 24.0 * 365.25
_SALTS = {"potassium": Salt.POTASSIUM_METABISULFITE, "sodium": Salt.SODIUM_METABISULFITE,
          "bisulfite": Salt.POTASSIUM_BISULFITE}  # fmt: skip
_CONVENTIONS = {"textbook": PkConvention.TEXTBOOK, "mixed": PkConvention.MIXED}
_SPLITS = {"two": Split.TWO, "four": Split.FOUR}
_BASES = {"volume": Basis.MASS_PER_VOLUME, "mass": Basis.MASS_PER_MASS}

_BATCH_VOLUME = click.option("--volume", "volume_l", type=VOLUME, required=True)
_BATCH_PH = click.option("--ph", type=PH, required=True)
_BATCH_ALCOHOL = click.option("--alcohol", "abv", type=STRENGTH, required=True)


@click.command("sulfite")
@_BATCH_VOLUME
@_BATCH_PH
@_BATCH_ALCOHOL
@click.option("--temperature", "temperature_c", type=TEMPERATURE, default="20C", show_default=True)
@click.option("--molecular", type=CONCENTRATION, default=f"{USUAL_TARGET_MG_L} mg/L", show_default=True,
              help="To reach; 0.5 mg/L is usual in a dry mead.")  # fmt: skip
@click.option("--free", type=CONCENTRATION, default="0 mg/L", help="Free SO2 that is in it already.")
@click.option("--total", type=CONCENTRATION, help="Total SO2 that is in it already; the free otherwise.")
@click.option("--salt", type=click.Choice([*_SALTS]), default="potassium", show_default=True)
@click.option(
    "--open-for", "age_hours", type=DURATION, default="0 h", help="How long ago the powder was opened."
)
@click.option("--bound", type=SHARE, help="Share of it that binds; estimated from the pH otherwise.")
@click.option("--constant", type=click.Choice([*_CONVENTIONS]), default="textbook", show_default=True,
              help="Which dissociation constant.")  # fmt: skip
@output_options
def sulfite_command(
    volume_l: float,
    ph: float,
    abv: float,
    temperature_c: float,
    molecular: float,
    free: float,
    total: float | None,
    salt: str,
    age_hours: float,
    bound: float | None,
    constant: str,
    output: Output,
) -> None:
    """Metabisulfite for a molecular SO2, from pH, alcohol and what is there already."""
    strength = powder_strength_after(age_hours / _HOURS_A_YEAR)
    dose_at = functools.partial(
        sulfite_dose,
        volume_l,
        alcohol_abv=abv,
        temperature_c=temperature_c,
        molecular_target_mg_l=molecular,
        free_mg_l=free,
        total_mg_l=total,
        salt=_SALTS[salt],
        powder_strength=strength,
        bound_share=bound,
        convention=_CONVENTIONS[constant],
    )
    pk = so2_pk(temperature_c, abv, _CONVENTIONS[constant])
    found = dose_or_refusal(dose_at, ph, molecular, pk, free)
    if isinstance(found, SulfiteRefusal):
        tell(output, found, _refused_rows(found, output))
        return
    tell(output, found, _sulfite_rows(found, output))


def _refused_rows(found: SulfiteRefusal, output: Output) -> list[Row]:
    rows = [("no sulfite yet", found.reason), ("  do this first", found.instead)]
    if found.after_acid is not None:
        rows.append((f"then, at pH {ACIDIFY_FIRST_PH:g}", ""))
        rows.extend(_sulfite_rows(found.after_acid, output))
    return rows


def _sulfite_rows(dose: SulfiteDose, output: Output) -> list[Row]:
    if dose.so2_to_add_mg_l == 0.0:
        return [
            (dose.salt.value, "none to add: the free SO2 that is in it is enough"),
            ("free SO2 needed", f"{dose.free_needed_mg_l:.0f} mg/L"),
            ("  constant", _constant(dose, output)),
            ("total in it", f"{dose.total_after_mg_l:.0f} mg/L"),
        ]
    rows = [
        (dose.salt.value, output.mass(dose.salt_g)),
        ("  or as 10 % solution", output.volume(dose.stock_10_percent_ml / 1e3)),
        ("free SO2 needed", f"{dose.free_needed_mg_l:.0f} mg/L"),
        ("  constant", _constant(dose, output)),
        ("SO2 to add", f"{dose.so2_to_add_mg_l:.0f} mg/L, of which {100.0 * dose.bound_share:.0f} % bind"),
        ("total after", f"{dose.total_after_mg_l:.0f} mg/L"),
    ]
    if dose.most_total_after_mg_l > dose.total_after_mg_l:
        rows.append(("  were the powder as new", f"{dose.most_total_after_mg_l:.0f} mg/L"))
    return rows


def _constant(dose: SulfiteDose, output: Output) -> str:
    at = "" if dose.reckoned_c is None else f", at {output.temperature(dose.reckoned_c)}"
    return f"pK {dose.pk:.3f} ({dose.convention.value}{at})"


@click.command("sorbate")
@_BATCH_VOLUME
@_BATCH_PH
@_BATCH_ALCOHOL
@click.option("--malolactic", is_flag=True, help="Lactic bacteria are, were or may be at work.")
@click.option("--molecular", type=CONCENTRATION, help="Molecular SO2 beside it, where it is known.")
@output_options
def sorbate_command(
    volume_l: float, ph: float, abv: float, malolactic: bool, molecular: float | None, output: Output
) -> None:
    """Potassium sorbate, and whether it can be relied on."""
    dose = sorbate_dose(volume_l, alcohol_abv=abv, ph=ph, malolactic=malolactic, molecular_so2_mg_l=molecular)
    tell(output, dose, _sorbate_rows(dose, output))


def _sorbate_rows(dose: SorbateDose, output: Output) -> list[Row]:
    rows = [("reliance", dose.reliance.value), ("because", dose.reason)]
    if dose.sorbate_g > 0.0:
        rows.append(("potassium sorbate", output.mass(dose.sorbate_g)))
        rows.append(("  as sorbic acid", f"{dose.sorbic_acid_mg_l:.0f} mg/L"))
    if dose.peynaud_mg_l is not None:
        rows.append(("  by alcohol alone", f"{dose.peynaud_mg_l:.0f} mg/L, for comparison"))
    if dose.likely_tasted:
        rows.append(("taste", "some people will taste it"))
    rows.extend(("what holds it instead", route.value) for route in dose.routes)
    rows.extend((f"day {step.day:g}", step.text) for step in dose.steps)
    return rows


@click.command("acid")
@_BATCH_VOLUME
@click.option("--rise", "rise_mg_l", type=CONCENTRATION, required=True, help="To add, such as 0.4 g/L.")
@click.option(
    "--with", "acid", type=click.Choice([one.value for one in Acid]), default="citric", show_default=True
)
@click.option("--counted-as", type=click.Choice([one.value for one in Acid]),
              help="The acid that the rise is meant in; the same one otherwise.")  # fmt: skip
@click.option("--solution", "strength", type=SHARE, default="10%", show_default=True, help="Its strength.")
@click.option("--by", "basis", type=click.Choice([*_BASES]),
              help="Whether that is g per 100 mL (volume, as made up at home) or per 100 g (mass, as bought);"
              f" volume up to {CONCENTRATED_PERCENT:g} %, to be said above.")  # fmt: skip
@click.option("--density", type=click.FloatRange(0.99, 2.0), help="Of the solution in g/mL.")
@output_options
def acid_command(
    volume_l: float,
    rise_mg_l: float,
    acid: str,
    counted_as: str | None,
    strength: float,
    basis: str | None,
    density: float | None,
    output: Output,
) -> None:
    """Acid solution for a rise in acidity, in tasted steps."""
    if basis is None and 100.0 * strength > CONCENTRATED_PERCENT:
        raise click.UsageError(
            f"a solution of {100.0 * strength:g} %: say --by mass (g per 100 g, as most bought acids are) or"
            " --by volume (g per 100 mL)"
        )
    solution = AcidSolution(Acid(acid), 100.0 * strength, _BASES[basis or "volume"], density)
    counted = None if counted_as is None else Acid(counted_as)
    dose = acid_dose(volume_l, rise_mg_l / 1e3, solution, counted)
    tell(output, dose, _acid_rows(dose, solution, output))


def _acid_rows(dose: AcidDose, solution: AcidSolution, output: Output) -> list[Row]:
    rows = [
        ("solution", output.volume(dose.solution_ml / 1e3)),
        ("  taken as", f"{solution.strength_percent:g} {dose.basis.value}"),
    ]
    for name, step in zip(("half", "a quarter", "a quarter"), dose.steps, strict=True):
        rows.append((f"  {name}", output.volume(step.solution_ml / 1e3)))
    rows.append((f"{dose.acid.value} acid in it", output.mass(dose.acid_g)))
    rows.append(("  in the batch", output.per_volume(dose.rise_g_l)))
    rows.append(("  as tartaric", output.per_volume(dose.rise_as_tartaric_g_l)))
    return rows


@click.command("nutrient")
@click.argument("original_gravity", type=GRAVITY)
@_BATCH_VOLUME
@click.option("--final-gravity", type=GRAVITY, default="1.000", show_default=True, help="As expected.")
@click.option(
    "--demand", type=click.Choice([one.value for one in Demand]), default="medium", show_default=True
)
@click.option("--phosphate", type=SHARE, default="50%", show_default=True,
              help="Share of the nitrogen from phosphate; the rest from yeast autolysate.")  # fmt: skip
@click.option(
    "--there", type=CONCENTRATION, default="0 mg/L", help="Nitrogen the must brings, as with fruit."
)
@click.option("--split", type=click.Choice([*_SPLITS]), default="two", show_default=True)
@output_options
def nutrient_command(
    original_gravity: float,
    volume_l: float,
    final_gravity: float,
    demand: str,
    phosphate: float,
    there: float,
    split: str,
    output: Output,
) -> None:
    """Nutrient for a must of this ORIGINAL_GRAVITY, and when it is fed."""
    plan = nutrient_plan(
        volume_l,
        original_gravity,
        final_gravity_sg=final_gravity,
        demand=Demand(demand),
        blend=((DIAMMONIUM_PHOSPHATE, phosphate), (YEAST_AUTOLYSATE, 1.0 - phosphate)),
        must_yan_mg_l=there,
        split=_SPLITS[split],
    )
    tell(output, plan, _nutrient_rows(plan, output))


def _nutrient_rows(plan: NutrientPlan, output: Output) -> list[Row]:
    rows = [
        ("nitrogen needed", f"{plan.yan_needed_mg_l:.0f} mg/L for {plan.sugar_g_l:.0f} g/L of sugar"),
        ("  to add", f"{plan.yan_added_mg_l:.0f} mg/L"),
    ]
    for feed in plan.feeds:
        when = (
            f"at {feed.at_gravity_sg:.3f}"
            if feed.after_pitching_h is None
            else f"{feed.after_pitching_h:g} h after pitching"
        )
        for portion in feed.portions:
            if portion.grams > 0.0:
                rows.append((when, f"{output.mass(portion.grams)} {portion.nutrient.name}"))
    return rows


@click.command("infusion")
@_BATCH_VOLUME
@click.option("--amount", "amount_g", type=MASS, required=True, help="As the recipe has it.")
@click.option(
    "--for", "for_l", type=VOLUME, help="The volume that the recipe is for; this batch's otherwise."
)
@click.option("--fruit", "brings_sugar", is_flag=True, help="It brings sugar.")
@output_options
def infusion_command(
    volume_l: float, amount_g: float, for_l: float | None, brings_sugar: bool, output: Output
) -> None:
    """Herbs, spices or fruit scaled to a batch, and the window in which they come out again."""
    if amount_g == 0.0:
        raise QuantityError("nothing to put in: --amount is 0 g", hint="give the weight that the recipe has")
    scaled = scaled_g(amount_g, volume_l if for_l is None else for_l, volume_l)
    plan = infusion_plan(volume_l, scaled / volume_l, brings_sugar=brings_sugar)
    tell(output, plan, _infusion_rows(plan, output))


def _infusion_rows(plan: InfusionPlan, output: Output) -> list[Row]:
    return [
        ("amount", output.mass(plan.amount_g)),
        ("strength", output.per_volume(plan.strength_g_l)),
        ("usually out", f"day {plan.usual_days[0]:g} to {plan.usual_days[1]:g}"),
        *((f"day {one.day:g}", one.text) for one in plan.reminders),
    ]
