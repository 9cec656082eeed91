"""`carboyd plan`: what to do with a batch from its last bubble to the glass, with its own numbers."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import click

from monitor import quantities
from monitor.batch.facts import facts_of
from monitor.batch.sheet import Sheet
from monitor.cellar.plan import plan_for
from monitor.cellar.plan_text import as_markdown, as_text
from monitor.cellar.shown import UnitSystem
from monitor.commands.context import config_option, now_ms, store_options
from monitor.errors import InputError
from monitor.ferment.event import Tick
from monitor.ferment.pipeline import Analysis, Pipeline, Snapshot
from monitor.settings import load
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, POINTS_PER_SG

SAMPLE_AGE_MS = 3 * MS_PER_DAY
"""A hand sample stands for the batch so long, after that the float's level does."""


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
) -> None:
    """Print the plan of BATCH: stabilise, sweeten, sharpen, keg; dated, with weights and cautions."""
    if form == "pdf" and output is None:
        raise InputError("a PDF cannot go to the terminal", hint="give --output FILE.pdf")
    loaded = load(config)
    system = UnitSystem(units or loaded.settings.display.units)
    start_ms = now_ms()
    with SqlStore(store_options(loaded)) as store:
        sheet = store.batches.get(batch)
        snapshot = _stands(store, sheet, loaded.settings.analysis, start_ms)
        measured_sg = _measured(store, sheet, snapshot, start_ms)
        journal = store.batches.journal(batch)
    if gravity is not None:
        measured_sg = quantities.gravity_sg(gravity)
    if sweeten_to is not None:
        sheet = replace(sheet, sweeten_to_sg=quantities.gravity_sg(sweeten_to))
    if volume is not None:
        sheet = replace(sheet, must=replace(sheet.must, volume_l=quantities.volume_l(volume)))
    if ph_text is not None:
        sheet = replace(sheet, sample_ph=quantities.ph(ph_text))
    if sweeten_to is not None and measured_sg is not None and (sheet.sweeten_to_sg or 0.0) <= measured_sg:
        raise InputError(f"--sweeten-to {sweeten_to}: at or below the present gravity, {measured_sg:.4f}")
    warm_c = snapshot.evidence.temperature_c
    plan = plan_for(
        facts_of(
            sheet,
            journal,
            gravity_sg=measured_sg,
            temperature_c=None if math.isnan(warm_c) else warm_c,
            expected_points=snapshot.evidence.expected_points,
        ),
        start_ms,
    )
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


def _stands(store: SqlStore, sheet: Sheet, analysis: Analysis, at_ms: int) -> Snapshot:
    pipeline = Pipeline(sheet.premise(), analysis)
    for event in store.batches.events(sheet.slug):
        pipeline.step(event)
    pipeline.step(Tick(at_ms if sheet.ended_ms is None else sheet.ended_ms))
    return pipeline.snapshot


def _measured(store: SqlStore, sheet: Sheet, snapshot: Snapshot, at_ms: int) -> float | None:
    samples = store.readings.read([sheet.hand_sensor], from_ms=at_ms - SAMPLE_AGE_MS)
    if len(samples):
        return float(samples.value[int(samples.time_ms.argmax())])
    level = snapshot.evidence.level_points
    return None if math.isnan(level) else 1.0 + level / POINTS_PER_SG
