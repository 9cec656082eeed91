"""`carboyd plan`: what to do with a batch from its last bubble to the glass, with its own numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import click

from monitor import quantities
from monitor.cellar.plan_text import as_markdown, as_text
from monitor.cellar.shown import UnitSystem
from monitor.commands.context import config_option, now_ms, store_options
from monitor.commands.figures import Decorated
from monitor.errors import InputError
from monitor.planning import ASKED, MALOLACTIC, MALOLACTIC_SAYS, Asked, measured_sg, plan_of, told_by
from monitor.settings import load
from monitor.store.sql import SqlStore
from monitor.web.history import tell


def _options_of(asked: Iterable[Asked]) -> Callable[[Decorated], Decorated]:
    """An option for each, its text as the maker wrote it."""

    def decorate(command: Decorated) -> Decorated:
        for one in reversed(tuple(asked)):
            option = click.option(
                f"--{one.name}", metavar="QUANTITY", help=f"{one.says} Such as {one.example}."
            )
            command = option(command)
        return command

    return decorate


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
@_options_of(ASKED)
@click.option(f"--{MALOLACTIC}", MALOLACTIC, is_flag=True, help=MALOLACTIC_SAYS)
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
    malolactic: bool,
    **texts: str | None,
) -> None:
    """Print the plan of BATCH: stabilise, sweeten, sharpen, keg; dated, with weights and cautions."""
    if form == "pdf" and output is None:
        raise InputError("a PDF cannot go to the terminal", hint="give --output FILE.pdf")
    told = told_by({**texts, MALOLACTIC: str(malolactic)})
    zone = datetime.now().astimezone().tzinfo
    assert zone is not None
    loaded = load(config)
    system = UnitSystem(units or loaded.settings.display.units)
    start_ms = now_ms()
    with SqlStore(store_options(loaded)) as store:
        sheet = store.batches.get(batch)
        stands = tell(store, batch, loaded.settings.analysis, start_ms).snapshot
        given_sg = None if gravity is None else quantities.gravity_sg(gravity)
        if sweeten_to is not None:
            sheet = replace(sheet, sweeten_to_sg=quantities.gravity_sg(sweeten_to))
        if volume is not None:
            sheet = replace(sheet, must=replace(sheet.must, volume_l=quantities.volume_l(volume)))
        if ph_text is not None:
            sheet = replace(sheet, sample_ph=quantities.ph(ph_text))
        if sweeten_to is not None:
            present_sg = given_sg or measured_sg(store, sheet, stands.evidence, start_ms)
            if present_sg is not None and (sheet.sweeten_to_sg or 0.0) <= present_sg:
                raise InputError(
                    f"--sweeten-to {sweeten_to}: at or below the present gravity, {present_sg:.4f}"
                )
        plan = plan_of(
            store,
            sheet,
            stands.evidence,
            start_ms,
            phase=stands.phase,
            gravity_sg=given_sg,
            told=told,
            zone=zone,
        )
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
