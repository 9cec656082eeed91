"""A heating that was recorded: the table of it read, and what it did.

A unit that is guessed wrong makes a cold bath look like a thousand pasteurisings: the heading says which it
is, and what no bath of bottles comes to is refused.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from monitor.cellar.carbonation import WARMEST_C
from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.pasteurising import HeatRefusal, heat_cautions, pasteurising_units, sealed_refusal
from monitor.errors import InputError, QuantityError
from monitor.units import celsius_from_fahrenheit, decimal, degrees

MOST_READINGS: Final = 100_000
HOTTEST_C: Final = 85.0
"""No bath of bottles is taken further (common practice): mead boils a few degrees above, and glass cracks."""
MOST_PU: Final = 30_000.0
"""Hundreds of times what is usual: most of an hour at 80 degC."""
CELSIUS: Final = "degC"
FAHRENHEIT: Final = "degF"

_DEGREES: Final[Mapping[str, str]] = MappingProxyType(
    {
        **dict.fromkeys(("c", "degc", "celsius", "centigrade"), CELSIUS),
        **dict.fromkeys(("f", "degf", "fahrenheit"), FAHRENHEIT),
    }
)
_MINUTES: Final = frozenset({"min", "mins", "minute", "minutes"})
_HEAD_IT: Final = "write minutes,degC or minutes,degF in its first line"


@dataclass(frozen=True, slots=True)
class History:
    """Temperatures at the coldest spot."""

    times_min: tuple[float, ...]
    temperatures_c: tuple[float, ...]
    unit: str
    """What they were written in, `CELSIUS` or `FAHRENHEIT`."""
    unit_said: bool
    """Whether a heading said so; Celsius is taken otherwise."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heating(Advised):
    """What a heating did."""

    readings: int
    unit: str
    """In which the readings were taken to be."""
    unit_said: bool
    warmest_c: float
    pasteurising_units: float
    refusal: HeatRefusal | None
    """Why it should never be done so; None where the bottles were open or still."""


def read_history(text: str, name: str) -> History:
    """The table of a heating: minutes and a temperature a line, under a heading that may name its unit.

    Raises InputError that names `name` and the line at fault.
    """
    times: list[float] = []
    temperatures: list[float] = []
    unit: str | None = None
    first = True
    for number, row in enumerate(csv.reader(text.splitlines()), start=1):
        if not row:
            continue
        try:
            minutes, temperature = (float(cell) for cell in row)
        except ValueError:
            if first:
                unit, first = _unit_of(row, name), False
                continue
            raise InputError(
                f"{name}, line {number}: {','.join(row)!r} is not minutes and a temperature",
                hint="write two numbers a line, such as 0,20.5",
            ) from None
        first = False
        if len(times) == MOST_READINGS:
            raise InputError(f"{name} has more than {MOST_READINGS} readings")
        times.append(minutes)
        temperatures.append(celsius_from_fahrenheit(temperature) if unit == FAHRENHEIT else temperature)
    return History(tuple(times), tuple(temperatures), unit or CELSIUS, unit is not None)


def _unit_of(heading: list[str], name: str) -> str:
    """The unit that a heading names."""
    words = [{*re.findall("[a-z]+", cell.casefold())} for cell in heading]
    if len(words) == 2 and words[0] & _MINUTES:
        named = {_DEGREES[word] for word in words[1] if word in _DEGREES}
        if len(named) == 1:
            return named.pop()
    raise InputError(
        f"{name}: its heading {','.join(heading)!r} does not say minutes and degC or degF", hint=_HEAD_IT
    )


def heating(history: History, *, sealed: bool, dissolved_volumes: float) -> Heating:
    """What a recorded heating did, and why it should not have been where the bottles were under pressure.

    Raises QuantityError as `pasteurising_units` does, and for what speaks of mixed-up units: a reading above
    85 degC, or more than 30,000 pasteurising units.
    """
    warmest_c = max(history.temperatures_c, default=0.0)
    if warmest_c > HOTTEST_C:
        raise QuantityError(
            f"the heating came to {degrees(warmest_c)} degC: no mead is heated beyond {HOTTEST_C:g} degC,"
            " so its unit is likely another",
            hint=_HEAD_IT,
        )
    units = pasteurising_units(history.times_min, history.temperatures_c)
    if units > MOST_PU:
        raise QuantityError(
            f"the heating makes {units:.0f} pasteurising units, where 30 to 50 are usual: its unit, of time"
            " or temperature, is likely another",
            hint=_HEAD_IT,
        )
    told_c = min(max(warmest_c, 0.0), WARMEST_C)
    refusal = sealed_refusal(told_c, sealed=sealed, dissolved_volumes=dissolved_volumes)
    always = (
        refusal.cautions
        if refusal is not None
        else heat_cautions(told_c, sealed=sealed, dissolved_volumes=dissolved_volumes)
    )
    return Heating(
        readings=len(history.times_min),
        unit=history.unit,
        unit_said=history.unit_said,
        warmest_c=warmest_c,
        pasteurising_units=units,
        refusal=refusal,
        cautions=(*(() if history.unit_said else (_unsaid(warmest_c),)), *always),
    )


def _unsaid(warmest_c: float) -> Caution:
    return Caution(
        Hazard.QUALITY,
        f"No heading says the unit: {decimal(warmest_c, 1)} at the warmest was taken for degrees Celsius."
        f" Were it Fahrenheit, the heating came to {degrees(celsius_from_fahrenheit(warmest_c))} degC and did"
        f" nothing worth counting: {_HEAD_IT}.",
    )
