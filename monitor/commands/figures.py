"""What the calculators share: quantities as options, and results as a sheet of figures or as JSON.

Nothing that is printed here can lose a caution: it is taken from the result, in either form.
"""

from __future__ import annotations

import functools
import textwrap
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from monitor import quantities
from monitor.cellar.caution import Advised, Caution
from monitor.cellar.shown import UnitSystem, in_units
from monitor.errors import QuantityError

Decorated = TypeVar("Decorated", bound=Callable[..., Any])
Row = tuple[str, str]

_WIDTH: Final = 80


class QuantityParam(click.ParamType):  # type: ignore[type-arg]  # generic only since click 8.4
    """An option's value as a maker writes it, read to the unit that is kept."""

    def __init__(self, name: str, read: Callable[[str], float]) -> None:
        self.name = name
        self._read = read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number, or a usage error that says what is possible."""
        if isinstance(value, float):
            return value
        try:
            return self._read(str(value))
        except QuantityError as error:
            self.fail(f"{error}. {error.hint[:1].upper()}{error.hint[1:]}.", param, ctx)


MASS: Final = QuantityParam("mass", quantities.mass_g)
VOLUME: Final = QuantityParam("volume", quantities.volume_l)
TEMPERATURE: Final = QuantityParam("temperature", quantities.temperature_c)
GRAVITY: Final = QuantityParam("gravity", quantities.gravity_sg)
STRENGTH: Final = QuantityParam("strength", quantities.strength_abv)
PH: Final = QuantityParam("ph", quantities.ph)
SHARE: Final = QuantityParam("share", quantities.share)
CONCENTRATION: Final = QuantityParam("concentration", quantities.concentration_mg_l)
PRESSURE: Final = QuantityParam("pressure", quantities.pressure_kpa)
DURATION: Final = QuantityParam("duration", quantities.duration_hours)


@dataclass(frozen=True, slots=True)
class Output:
    """How a result is to be printed."""

    units: UnitSystem
    as_json: bool

    def mass(self, grams: float) -> str:
        """A mass in both systems, the chosen one first."""
        return quantities.show_mass(grams, self.units)

    def volume(self, litres: float) -> str:
        """A volume in both systems."""
        return quantities.show_volume(litres, self.units)

    def temperature(self, celsius: float) -> str:
        """A temperature in both systems."""
        return quantities.show_temperature(celsius, self.units)

    def pressure(self, kpa: float) -> str:
        """A gauge pressure in both systems."""
        return quantities.show_pressure(kpa, self.units)

    def per_volume(self, grams_per_l: float) -> str:
        """A mass in a volume in both systems."""
        return quantities.show_mass_per_volume(grams_per_l, self.units)


def output_options(command: Decorated) -> Decorated:
    """`--units`, `--config` and `--json`, handed over as one `output`."""

    @click.option(
        "--units",
        type=click.Choice([system.value for system in UnitSystem]),
        envvar="CARBOYD_DISPLAY__UNITS",
        help="Which system comes first; as configured otherwise.",
    )
    @click.option(
        "--config",
        type=click.Path(dir_okay=False, path_type=Path),
        envvar="CARBOYD_CONFIG",
        help="Configuration file (TOML), for its units.",
    )
    @click.option("--json", "as_json", is_flag=True, help="Print JSON for programs, in kept units.")
    @functools.wraps(command)
    def wrapper(*args: Any, units: str | None, config: Path | None, as_json: bool, **kwargs: Any) -> Any:
        output = Output(UnitSystem(units or _configured_units(config)), as_json)
        try:
            return command(*args, output=output, **kwargs)
        except QuantityError as error:
            told = in_units(str(error), output.units)
            raise QuantityError(told, hint=in_units(error.hint, output.units)) from error

    return wrapper  # type: ignore[return-value]


def _configured_units(config: Path | None) -> str:
    if config is None:
        return UnitSystem.METRIC.value
    # imported here: a sum on paper needs no settings library, which takes most of a second
    from monitor.settings import load

    return load(config).settings.display.units


def plain(value: object) -> Any:
    """Dataclasses, enums and tuples as what JSON knows; field names carry their units."""
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Mapping):
        return {str(plain(key)): plain(one) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [plain(one) for one in value]
    return value


def tell(output: Output, result: Advised, rows: Iterable[Row]) -> None:
    """One result: its figures and its cautions, or all of it as JSON."""
    if output.as_json:
        _print_json(plain(result))
        return
    _print_rows(rows, output.units)
    _print_cautions(result.cautions, output.units)


def tell_each(output: Output, results: Iterable[tuple[Advised, Iterable[Row]]]) -> None:
    """Several results after one another; a caution that several share is said once, at the end."""
    results = list(results)
    if output.as_json:
        _print_json([plain(result) for result, _ in results])
        return
    for number, (_, rows) in enumerate(results):
        if number:
            click.echo()
        _print_rows(rows, output.units)
    shared = tuple(dict.fromkeys(c for result, _ in results for c in result.cautions))
    _print_cautions(shared, output.units)


def _print_json(value: object) -> None:
    import json

    click.echo(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False))


def _print_rows(rows: Iterable[Row], units: UnitSystem) -> None:
    rows = [_row_in(row, units) for row in rows]
    widest = max(len(what) for what, _ in rows)
    indent = " " * (widest + 2)
    for what, shown in rows:
        lines = textwrap.wrap(shown, max(_WIDTH - len(indent), 30), break_on_hyphens=False)
        click.echo(f"{what.ljust(widest)}  {f'{chr(10)}{indent}'.join(lines)}".rstrip())


def _row_in(row: Row, units: UnitSystem) -> Row:
    """A row with its sentences told in these units; amounts stand in both, a scale keeps its name."""
    what, shown = row
    return (
        what if "/" in what else in_units(what, units),
        in_units(shown, units) if shown.endswith(".") else shown,
    )


def _print_cautions(cautions: Iterable[Caution], units: UnitSystem) -> None:
    for caution in cautions:
        click.echo()
        text = f"! Caution ({caution.hazard.value}): {in_units(caution.text, units)}"
        click.echo("\n".join(textwrap.wrap(text, _WIDTH, subsequent_indent="  ", break_on_hyphens=False)))
