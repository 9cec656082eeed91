"""Calculators of what a liquid is: density and scales, alcohol, where a must will end, honey."""

from __future__ import annotations

from dataclasses import dataclass

import click

from monitor.batch.journal import SAMPLE_C
from monitor.cellar.building import (
    STRONGEST_SG,
    USUAL_MOISTURE,
    YEAST_STOPS_ABV,
    HoneyUsed,
    honey_used,
    implied_moisture,
    strength_cautions,
)
from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.ending import lowest_final_gravity_sg, most_fermented_share
from monitor.cellar.possible import within
from monitor.commands.figures import (
    GRAVITY,
    MASS,
    SHARE,
    STRENGTH,
    TEMPERATURE,
    VOLUME,
    Output,
    Row,
    output_options,
    tell,
)
from monitor.must import density as scales
from monitor.must.alcohol import (
    Attenuation,
    Energy,
    attenuation,
    composition,
    corrected_ferment_sg,
    energy,
    expected_final_gravity_sg,
)
from monitor.must.honey import (
    DEFAULT_FERMENTABLE_SHARE,
    DEFAULT_MOISTURE,
    honey,
    moisture_from_refractive_index,
    neat_honey_sg,
)

ETHANOL_TO_C = 40.0
"""Where the tables of ethanol and water end (OIML R 22): a ferment's reading is corrected no further."""
_DEGAS = Caution(
    Hazard.QUALITY,
    "Stir or shake the gas out of a sample before reading it: clinging bubbles lift the float and it reads"
    " high. Do not pour the sample back.",
)
_ESTIMATE = Caution(
    Hazard.ALCOHOL,
    "A strength from two gravities is good to a few tenths: it is no measurement for a label or a law, and no"
    " ground to drive on.",
)
_REAL_MEADS = Caution(
    Hazard.PRESSURE,
    "Where a must could end is no sign that it has: only a gravity that stands still is. Never seal a batch"
    " by this figure.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scales(Advised):
    """One gravity on every scale."""

    gravity_sg: float
    sg_60f: float
    plato: float
    oechsle: float
    density_kg_m3: float
    extract_g_per_l: float | None
    """None below water, where there is no unfermented must."""
    correction_points: float


@click.command("density")
@click.argument("reading", type=GRAVITY)
@click.option("--at", "temperature_c", type=TEMPERATURE, help="Temperature of the liquid when it was read.")
@click.option("--made-for", "calibrated_c", type=TEMPERATURE, default="20C", show_default=True,
              help="Temperature the hydrometer is made for.")  # fmt: skip
@click.option("--plastic", is_flag=True, help="The body is of clear plastic, not of glass.")
@click.option("--original-gravity", type=GRAVITY, help="Of a ferment: its liquid expands differently.")
@output_options
def density_command(
    reading: float,
    temperature_c: float | None,
    calibrated_c: float,
    plastic: bool,
    original_gravity: float | None,
    output: Output,
) -> None:
    """One gravity on every scale, corrected for temperature.

    READING is 1.040, 10degP, 85 Oe, 40 points or 1038 kg/m3.
    """
    temperature_c = calibrated_c if temperature_c is None else temperature_c
    low_c, high_c = SAMPLE_C
    hint = "let the sample come near room temperature first"
    within("hydrometer's own temperature", calibrated_c, low_c, high_c, "degC", hint=hint)
    if original_gravity is not None or reading < 1.0:
        high_c = ETHANOL_TO_C
    within("sample temperature", temperature_c, low_c, high_c, "degC", hint=hint)
    body = 2e-4 if plastic else scales.GLASS_EXPANSION_PER_K
    if original_gravity is None:
        sg = scales.corrected_sg(reading, temperature_c, calibrated_c, body)
    else:
        sg = corrected_ferment_sg(reading, temperature_c, original_gravity, calibrated_c, body)
    found = Scales(
        gravity_sg=sg,
        sg_60f=scales.sg_60f_from_sg(sg),
        plato=scales.plato_from_sg(sg),
        oechsle=scales.oechsle_from_sg(sg),
        density_kg_m3=scales.density_from_sg(sg),
        extract_g_per_l=scales.extract_g_per_l_from_sg(sg) if sg >= 1.0 else None,
        correction_points=1e3 * (sg - reading),
        cautions=(_DEGAS,),
    )
    rows = [
        ("SG 20/20 degC", f"{found.gravity_sg:.4f}"),
        ("correction", f"{found.correction_points:+.2f} points"),
        ("SG 60/60 F", f"{found.sg_60f:.4f}"),
        ("Plato, Brix", f"{found.plato:.2f}"),
        ("Oechsle", f"{found.oechsle:.1f}"),
        ("density at 20 degC", f"{found.density_kg_m3:.2f} kg/m3"),
    ]
    if found.extract_g_per_l is not None:
        rows.append(("solids, if unfermented", output.per_volume(found.extract_g_per_l)))
    tell(output, found, rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Strength(Advised):
    """What two gravities say, both ways, and the energy of a serving."""

    balling: Attenuation
    mixture_abv: float
    """By the density of the mixture; what sweetening and blending reckon with."""
    mixture_real_extract: float
    energy: Energy


def _unlikely(abv: float) -> tuple[Caution, ...]:
    high = YEAST_STOPS_ABV[1]
    if abv <= high:
        return ()
    text = (
        f"Most yeasts stop below {high:g} % vol: before {abv:.1f} % is believed, read both gravities again,"
        " degassed and at 20 degC. What was fed or diluted on the way has no one original gravity."
    )
    return (Caution(Hazard.QUALITY, text),)


@click.command("alcohol")
@click.argument("original_gravity", type=GRAVITY)
@click.argument("gravity", type=GRAVITY)
@click.option("--serving", "serving_l", type=VOLUME, default="150 mL", show_default=True)
@output_options
def alcohol_command(original_gravity: float, gravity: float, serving_l: float, output: Output) -> None:
    """Alcohol, extract and attenuation from the ORIGINAL_GRAVITY and the present GRAVITY."""
    balling = attenuation(original_gravity, gravity)
    mixture = composition(original_gravity, gravity)
    found = Strength(
        balling=balling,
        mixture_abv=mixture.abv,
        mixture_real_extract=mixture.real_extract,
        energy=energy(mixture, serving_l),
        cautions=(*_unlikely(mixture.abv), _ESTIMATE, _DEGAS),
    )
    rows = [
        ("alcohol by volume, Balling", f"{balling.abv:.2f} %"),
        ("  by density of the mixture", f"{found.mixture_abv:.2f} %"),
        ("  by 131.25 times the fall", f"{balling.abv_simple:.2f} %"),
        ("alcohol by mass", f"{balling.abw:.2f} %"),
        ("original extract", f"{balling.original_extract:.2f} degP"),
        ("apparent extract", f"{balling.apparent_extract:.2f} degP"),
        ("real extract", f"{balling.real_extract:.2f} % by mass"),
        ("apparent attenuation", f"{100.0 * balling.apparent_attenuation:.1f} %"),
        ("real attenuation", f"{100.0 * balling.real_attenuation:.1f} %"),
        (f"energy in {output.volume(serving_l)}", f"{found.energy.kcal:.0f} kcal, {found.energy.kj:.0f} kJ"),
    ]
    tell(output, found, rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending(Advised):
    """Where a must should end."""

    fermentable_share: float
    final_gravity_sg: float
    """The likely one."""
    lowest_gravity_sg: float
    """Where it could end if the must were rich in what ferments: what priming has to reckon with."""
    all_fermented_gravity_sg: float
    """Were every gram of its solids to ferment; nothing ends below it."""
    abv: float


@click.command("expect")
@click.argument("original_gravity", type=GRAVITY)
@click.option("--fermentable", "share", type=SHARE, default=str(DEFAULT_FERMENTABLE_SHARE), show_default=True,
              help="Share of the dissolved solids that yeast can take.")  # fmt: skip
@click.option("--tolerance", type=STRENGTH, help="Alcohol the yeast stands.")
@output_options
def expect_command(original_gravity: float, share: float, tolerance: float | None, output: Output) -> None:
    """Where a must of this ORIGINAL_GRAVITY should end, and how strong."""
    within(
        "original gravity", original_gravity, 1.0, STRONGEST_SG, hint="denser musts hardly ferment: check it"
    )
    final_sg = expected_final_gravity_sg(original_gravity, share, tolerance)
    abv = composition(original_gravity, final_sg).abv
    lowest_share = most_fermented_share(share)
    found = Ending(
        fermentable_share=share,
        final_gravity_sg=final_sg,
        lowest_gravity_sg=lowest_final_gravity_sg(original_gravity, share),
        all_fermented_gravity_sg=expected_final_gravity_sg(original_gravity, 1.0),
        abv=abv,
        cautions=(_REAL_MEADS, *strength_cautions(abv, tolerance_told=tolerance is not None)),
    )
    rows = [
        ("final gravity", f"{found.final_gravity_sg:.4f}"),
        ("  a real one, with glycerol", f"{final_sg + 0.001:.3f} to {final_sg + 0.002:.3f}"),
        (
            "could end as low as",
            f"{found.lowest_gravity_sg:.4f}, where {100.0 * lowest_share:g} % ferments: for bottles, reckon"
            " with this",
        ),
        ("  if all of it ferments", f"{found.all_fermented_gravity_sg:.4f}"),
        ("alcohol by volume", f"{found.abv:.1f} %"),
    ]
    tell(output, found, rows)


@dataclass(frozen=True, slots=True, kw_only=True)
class HoneyFound(Advised):
    """What is known of a honey, from one measurement or another."""

    moisture: float | None
    """None where it is not known, or what the must says of it is not to be believed."""
    doubted_moisture: float | None
    """What honey of this weight would have held, where no usual honey does."""
    neat_sg: float | None
    used: HoneyUsed | None


@click.command("honey")
@click.option("--index", type=click.FloatRange(1.4, 1.6), help="Refractive index: gives the moisture.")
@click.option("--at", "temperature_c", type=TEMPERATURE, default="20C", show_default=True,
              help="Temperature of the honey on the refractometer.")  # fmt: skip
@click.option("--volume", "volume_l", type=VOLUME, help="Of a must made with it.")
@click.option("--gravity", type=GRAVITY, help="Of that must, before any ferment.")
@click.option(
    "--weighed", "weighed_g", type=MASS, help="Honey that went in: gives the moisture it must have had."
)
@click.option("--moisture", type=SHARE, help="Of the honey, where it is known.")
@output_options
def honey_command(
    index: float | None,
    temperature_c: float,
    volume_l: float | None,
    gravity: float | None,
    weighed_g: float | None,
    moisture: float | None,
    output: Output,
) -> None:
    """What a honey holds, from its refractive index; or how much of it a must holds."""
    if index is None and (volume_l is None or gravity is None):
        raise click.UsageError("give --index, or --volume and --gravity")
    if index is not None:
        moisture = moisture_from_refractive_index(index, temperature_c)
    used: HoneyUsed | None = None
    doubted: float | None = None
    if volume_l is not None and gravity is not None:
        if weighed_g is not None:
            implied = implied_moisture(weighed_g, volume_l, gravity)
            if USUAL_MOISTURE[0] <= implied <= USUAL_MOISTURE[1]:
                moisture = implied
            else:
                doubted = implied
        used = honey_used(volume_l, gravity, honey(DEFAULT_MOISTURE if moisture is None else moisture))
    found = HoneyFound(
        moisture=moisture,
        doubted_moisture=doubted,
        neat_sg=None if moisture is None else neat_honey_sg(moisture),
        used=used,
        cautions=() if used is None else used.cautions,
    )
    tell(output, found, _honey_rows(found, output))


def _honey_rows(found: HoneyFound, output: Output) -> list[Row]:
    rows: list[Row] = []
    if found.moisture is not None and found.neat_sg is not None:
        rows.append(("moisture", f"{100.0 * found.moisture:.1f} %"))
        rows.append(("neat honey", f"SG {found.neat_sg:.3f}"))
    if found.doubted_moisture is not None:
        low, high = USUAL_MOISTURE
        lost = "honey left in the jars, " if found.doubted_moisture > high else ""
        text = (
            f"it would have been {100.0 * found.doubted_moisture:.1f} %, and honey mostly holds"
            f" {100.0 * low:g} to {100.0 * high:g} %: {lost}a loose volume or a must not stirred through is"
            " likelier"
        )
        rows.append(("moisture not told", text))
    if found.used is not None:
        rows.append(("honey in the must", output.mass(found.used.honey_g)))
        rows.append(("  were it dry, 15.5 %", output.mass(found.used.least_g)))
        rows.append(("  were it damp, 20 %", output.mass(found.used.most_g)))
        rows.append(("dissolved solids", output.mass(found.used.solids_g)))
    return rows
