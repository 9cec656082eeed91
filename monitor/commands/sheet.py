"""What the sheet of a batch says, as options that `carboyd batch start` and `batch change` share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import click

from monitor import quantities
from monitor.batch.sheet import Sheet, require_pitched
from monitor.commands.context import Decorated, config_option, local, now_ms, opened, time_ms
from monitor.errors import InputError
from monitor.ferment.premise import Must, MustKind

_KINDS: Final = [kind.value for kind in MustKind]
_OPTIONS: Final[tuple[Callable[..., Any], ...]] = (
    click.option("--pitched", metavar="TIME", help="When the yeast went in."),
    click.option("--kind", type=click.Choice(_KINDS), help="What the sugar came from."),
    click.option("--original-gravity", metavar="SG", help="Hand sample before pitching: 1.040, 10degP."),
    click.option("--attenuation-from", metavar="SHARE", help="Least of the gravity expected to go: 96%."),
    click.option("--attenuation-to", metavar="SHARE", help="Most of it, above 100% for a dry mead: 103%."),
    click.option(
        "--no-attenuation",
        is_flag=True,
        help="None is given, nor taken from earlier batches: the kind tells.",
    ),
    click.option("--volume", metavar="VOLUME", help="Must in the vessel: 18.2L, 4.8gal."),
    click.option("--capacity", metavar="VOLUME", help="Vessel to the brim."),
    click.option("--yeast-from", metavar="TEMP", help="Lowest temperature its maker gives: 14degC, 57F."),
    click.option("--yeast-to", metavar="TEMP", help="Highest temperature its maker gives."),
    click.option("--tolerance", metavar="ABV", help="Alcohol the yeast stands: 14%."),
    click.option("--ph", metavar="PH", help="Measured on a hand sample."),
    click.option("--sweeten-to", metavar="SG", help="Gravity it is meant to be sweetened to."),
    click.option("--carbonation", type=float, metavar="VOLUMES", help="Volumes of CO2 to serve it with."),
    click.option("--gravity-sensor", metavar="SENSOR", help="The float that is believed."),
    click.option("--temperature-sensor", metavar="SENSOR", help="The thermometer that is believed."),
    click.option(
        "--other-sensor", "others", multiple=True, metavar="SENSOR", help="One more, such as the room's."
    ),
    click.option("--recipe", help="Free text."),
)


def sheet_options(command: Decorated) -> Decorated:
    """Every member of a sheet but its name, as an option that may be left out."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def written(sheet: Sheet, said: dict[str, Any]) -> Sheet:
    """The sheet with what was said in options; what was not said stays. InputError, QuantityError."""
    given = {name: value for name, value in said.items() if _is_said(value)}
    amount = {
        name: read(given[name])
        for name, read in (
            ("original_gravity", quantities.gravity_sg),
            ("attenuation_from", quantities.attenuation),
            ("attenuation_to", quantities.attenuation),
            ("volume", quantities.volume_l),
            ("capacity", quantities.volume_l),
            ("yeast_from", quantities.temperature_c),
            ("yeast_to", quantities.temperature_c),
            ("tolerance", quantities.strength_abv),
            ("ph", quantities.ph),
            ("sweeten_to", quantities.gravity_sg),
        )
        if name in given
    }
    must, yeast = sheet.must, sheet.yeast
    return replace(
        sheet,
        pitched_ms=time_ms(given.get("pitched"), sheet.pitched_ms),
        must=replace(
            must,
            kind=MustKind(given["kind"]) if "kind" in given else must.kind,
            original_gravity_sg=amount.get("original_gravity", must.original_gravity_sg),
            volume_l=amount.get("volume", must.volume_l),
            expected_apparent_attenuation=_attenuation(must, amount, none=said["no_attenuation"]),
        ),
        yeast=replace(
            yeast,
            temperature_c=_range("yeast", yeast.temperature_c, amount),
            alcohol_tolerance_abv=amount.get("tolerance", yeast.alcohol_tolerance_abv),
        ),
        vessel=replace(sheet.vessel, capacity_l=amount.get("capacity", sheet.vessel.capacity_l)),
        gravity_sensor=given.get("gravity_sensor", sheet.gravity_sensor),
        temperature_sensor=given.get("temperature_sensor", sheet.temperature_sensor),
        other_sensors=tuple(dict.fromkeys((*sheet.other_sensors, *given.get("others", ())))),
        recipe=given.get("recipe", sheet.recipe),
        sample_ph=amount.get("ph", sheet.sample_ph),
        sweeten_to_sg=amount.get("sweeten_to", sheet.sweeten_to_sg),
        carbonation_volumes=given.get("carbonation", sheet.carbonation_volumes),
    )


def _is_said(value: object) -> bool:
    # by identity: 0 is something that can be said
    return value is not None and value is not False and value != ()


def _range(
    what: str, before: tuple[float, float] | None, amount: dict[str, float]
) -> tuple[float, float] | None:
    low, high = amount.get(f"{what}_from"), amount.get(f"{what}_to")
    if low is None and high is None:
        return before
    if before is None and (low is None or high is None):
        raise InputError(f"--{what}-from and --{what}-to go together")
    lowest, highest = before or (0.0, 0.0)
    return lowest if low is None else low, highest if high is None else high


def _attenuation(must: Must, amount: dict[str, float], *, none: bool) -> tuple[float, float] | None:
    if not none:
        return _range("attenuation", must.expected_apparent_attenuation, amount)
    if "attenuation_from" in amount or "attenuation_to" in amount:
        raise InputError("--no-attenuation goes with neither --attenuation-from nor --attenuation-to")
    return None


@click.command("change")
@config_option
@click.argument("batch")
@click.option("--name", help="What it is called from now on; its short name stays.")
@sheet_options
def change_command(config: Path | None, batch: str, name: str | None, **said: Any) -> None:
    """Change what the sheet of BATCH says; what is left out stays. The batch is judged anew.

    \b
    Examples:
      carboyd batch change orchard-session --volume 17.5L --ph 3.4
      carboyd batch change orchard-session --sweeten-to 1.010
      carboyd batch change orchard-session --attenuation-from 96% --attenuation-to 103%
    """
    if name is None and not any(_is_said(value) for value in said.values()):
        raise InputError("nothing to change", hint="see carboyd batch change --help")
    entered_ms = now_ms()

    def rewritten(before: Sheet) -> Sheet:
        sheet = written(replace(before, name=before.name if name is None else name), said)
        require_pitched(sheet, entered_ms)
        return sheet

    with opened(config) as store:
        changed = store.batches.change(batch, rewritten, at_ms=entered_ms)
    click.echo(f"Changed {batch}, pitched {local(changed.pitched_ms)}.")
