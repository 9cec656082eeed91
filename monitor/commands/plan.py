"""`carboyd plan`: what to do with a batch from its last bubble to the glass, with its own numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import click

from monitor import quantities
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_text import as_markdown, as_text
from monitor.cellar.shown import UnitSystem
from monitor.commands.context import config_option, now_ms, store_options
from monitor.commands.figures import CONCENTRATION, MASS, STRENGTH
from monitor.errors import InputError
from monitor.planning import facts_by, measured_sg
from monitor.settings import load
from monitor.store.sql import SqlStore
from monitor.web.history import tell


@click.command("plan")
@config_option
@click.argument("batch")
@click.option(
    "--format", "form", type=click.Choice(["text", "markdown", "pdf"]), default="text", show_default=True
)
@click.option("--output", type=click.Path(dir_okay=False, path_type=Path), help="Write here; a PDF needs it.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="Which units come first.")
@click.option("--sweeten-to", metavar="SG", help="Instead of what the sheet says.")
@click.option("--volume", metavar="VOLUME", help="Instead of what the sheet says.")
@click.option("--ph", "ph_text", metavar="PH", help="Instead of what the sheet says.")
@click.option("--gravity", metavar="SG", help="Measured now, instead of the last sample or the float.")
@click.option("--alcohol", "abv", type=STRENGTH, help="As you know it, instead of what both gravities tell.")
@click.option("--free", type=CONCENTRATION, help="Free SO2 that is in it already.")
@click.option("--total", type=CONCENTRATION, help="Total SO2 that is in it already; the free otherwise.")
@click.option(
    "--sorbate", "sorbate_g", type=MASS, help="Potassium sorbate that went into it: 4.5g; 0g is none."
)
@click.option("--malolactic", is_flag=True, help="Lactic bacteria are, were or may be at work.")
def plan_command(
    config: Path | None,
    batch: str,
    form: str,
    output: Path | None,
    units: str | None,
    sweeten_to: str | None,
    volume: str | None,
    ph_text: str | None,
    gravity: str | None,
    abv: float | None,
    free: float | None,
    total: float | None,
    sorbate_g: float | None,
    malolactic: bool,
) -> None:
    """Print the plan of BATCH: stabilise, sweeten, sharpen, keg; dated, with weights and cautions."""
    if form == "pdf" and output is None:
        raise InputError("a PDF cannot go to the terminal", hint="give --output FILE.pdf")
    loaded = load(config)
    system = UnitSystem(units or loaded.settings.display.units)
    start_ms = now_ms()
    with SqlStore(store_options(loaded)) as store:
        sheet = store.batches.get(batch)
        evidence = tell(store, batch, loaded.settings.analysis, start_ms).snapshot.evidence
        gravity_sg = measured_sg(store, sheet, evidence, start_ms)
        journal = store.batches.journal(batch)
    if gravity is not None:
        gravity_sg = quantities.gravity_sg(gravity)
    if sweeten_to is not None:
        sheet = replace(sheet, sweeten_to_sg=quantities.gravity_sg(sweeten_to))
    if volume is not None:
        sheet = replace(sheet, must=replace(sheet.must, volume_l=quantities.volume_l(volume)))
    if ph_text is not None:
        sheet = replace(sheet, sample_ph=quantities.ph(ph_text))
    if sweeten_to is not None and gravity_sg is not None and (sheet.sweeten_to_sg or 0.0) <= gravity_sg:
        raise InputError(f"--sweeten-to {sweeten_to}: at or below the present gravity, {gravity_sg:.4f}")
    facts = replace(
        facts_by(sheet, evidence, gravity_sg, journal),
        abv=abv,
        free_so2_mg_l=free,
        total_so2_mg_l=total,
        sorbate_g=sorbate_g,
        malolactic=malolactic,
    )
    plan = plan_for(facts, start_ms)
    zone = datetime.now().astimezone().tzinfo
    assert zone is not None
    if form == "pdf":
        from monitor.commands.plan_pdf import as_pdf

        assert output is not None
        output.write_bytes(as_pdf(plan, system, zone))
        click.echo(f"Written to {output}")
        return
    text = as_text(plan, system, zone) if form == "text" else as_markdown(plan, system, zone)
    if output is None:
        click.echo(text)
    else:
        output.write_text(text, encoding="utf-8")
        click.echo(f"Written to {output}")
