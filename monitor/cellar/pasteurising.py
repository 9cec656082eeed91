"""Pasteurising units: how much a heating did, and how long one must last.

One unit is one minute at 60 degC; a degree more is worth 1.393 times as much (Del Vecchio, Dayharsh &
Baselt, 1951), which is z = 6.95 K. The other figure in use, z = 7 K, gives 1 to 2 % less at 65 degC.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from monitor.cellar.carbonation import KPA_PER_BAR, gauge_kpa
from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.possible import within
from monitor.errors import QuantityError
from monitor.units import degrees

BASE_PER_K: Final = 1.393
REFERENCE_C: Final = 60.0
USUAL_TARGET_PU: Final = (30.0, 50.0)
"""Sweet mead and cider, common practice."""
HOLD_C: Final = (58.0, 72.0)
"""Where a hold makes sense, common practice: below, a degree too little costs hours and the mead stews;
above, units come within seconds, quicker than heat or a thermometer gets to the coldest spot."""
STILL_VOLUMES: Final = 1.0
"""More CO2 than this is not still: what an open ferment leaves at cellar temperature lies below it."""


class HeatRefusalReason(StrEnum):
    """Why no time is given."""

    SEALED_AND_CARBONATED = "sealed and carbonated"


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold(Advised):
    """How long to hold the coldest spot at a temperature."""

    target_pu: float
    temperature_c: float
    minutes: float
    sealed_gauge_kpa: float
    """What a full sealed vessel holds at that temperature; even a still one is under pressure when hot."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatRefusal(Advised):
    """No time, and why not."""

    reason: HeatRefusalReason
    sentence: str
    gauge_kpa: float
    """What the sealed vessel would hold when hot."""


def units_per_minute(temperature_c: float) -> float:
    """Pasteurising units that a minute at this temperature makes: 1.393^(T - 60).

    Raises QuantityError outside -5..100 degC.
    """
    return float(BASE_PER_K ** (within("temperature", temperature_c, -5.0, 100.0, "degC") - REFERENCE_C))


def pasteurising_units(times_min: ArrayLike, temperatures_c: ArrayLike) -> float:
    """Units that a temperature history made: times in minutes, degC measured at the coldest spot, both (n,).

    Exact where the temperature runs in straight lines between the readings, however far apart they are.
    Raises QuantityError for fewer than two readings, different lengths, times that do not rise, or a value
    that is not a number or outside -5..100 degC.
    """
    times = np.asarray(times_min, dtype=np.float64)
    degrees = np.asarray(temperatures_c, dtype=np.float64)
    if times.ndim != 1 or times.shape != degrees.shape or times.size < 2:
        raise QuantityError(
            f"{times.size} times and {degrees.size} temperatures: as many of the one as of the other are"
            " needed, two at least"
        )
    if not np.all(np.isfinite(times)) or not np.all(np.diff(times) > 0.0):
        raise QuantityError("the times of a heating must rise from each reading to the next")
    if not np.all((degrees >= -5.0) & (degrees <= 100.0)):
        raise QuantityError("a temperature of the heating is outside -5 to 100 degC")
    # the mean of an exponential along a straight line is exp(start) * expm1(x)/x
    logs = (degrees - REFERENCE_C) * np.log(BASE_PER_K)
    rise = np.diff(logs)
    flat = np.abs(rise) < 1e-12
    mean = np.where(flat, 1.0, np.expm1(rise) / np.where(flat, 1.0, rise))
    return float(np.sum(np.diff(times) * np.exp(logs[:-1]) * mean))


def minutes_at(target_pu: float, temperature_c: float) -> float:
    """Minutes at one temperature that make so many units.

    Raises QuantityError outside 0..1000 units and 58..72 degC.
    """
    within("target", target_pu, 0.0, 1_000.0, "PU")
    hint = "cooler takes hours and stews the mead; hotter is done before the coldest spot is warm"
    return target_pu / units_per_minute(within("temperature", temperature_c, *HOLD_C, "degC", hint=hint))


def hold(
    target_pu: float, temperature_c: float, *, sealed: bool, dissolved_volumes: float
) -> Hold | HeatRefusal:
    """Minutes to hold a batch or its bottles hot; refused for sealed carbonated vessels.

    `dissolved_volumes` is the CO2 it holds, about 0.9 when still. Raises QuantityError as `minutes_at`
    does, and outside 0..10 volumes.
    """
    minutes = minutes_at(target_pu, temperature_c)
    refused = sealed_refusal(temperature_c, sealed=sealed, dissolved_volumes=dissolved_volumes)
    if refused is not None:
        return refused
    return Hold(
        target_pu=target_pu,
        temperature_c=temperature_c,
        minutes=minutes,
        sealed_gauge_kpa=gauge_kpa(dissolved_volumes, temperature_c),
        cautions=heat_cautions(temperature_c, sealed=sealed, dissolved_volumes=dissolved_volumes),
    )


def sealed_refusal(temperature_c: float, *, sealed: bool, dissolved_volumes: float) -> HeatRefusal | None:
    """Why bottles must not be brought to this temperature; None where they are open or still.

    Raises QuantityError outside 0..10 volumes, and outside 0..80 degC where they are sealed and not still.
    """
    within("dissolved CO2", dissolved_volumes, 0.0, 10.0, "volumes")
    if not sealed or dissolved_volumes <= STILL_VOLUMES:
        return None
    pressure_kpa = gauge_kpa(dissolved_volumes, temperature_c)
    sentence = (
        f"Never heat sealed carbonated bottles: with {dissolved_volumes:g} volumes they would hold"
        f" {pressure_kpa / KPA_PER_BAR:.1f} bar over the atmosphere at {degrees(temperature_c)} degC and may"
        " burst."
    )
    return HeatRefusal(
        reason=HeatRefusalReason.SEALED_AND_CARBONATED,
        sentence=sentence,
        gauge_kpa=pressure_kpa,
        cautions=(Caution(Hazard.PRESSURE, sentence), *_ALWAYS),
    )


def heat_cautions(temperature_c: float, *, sealed: bool, dissolved_volumes: float) -> tuple[Caution, ...]:
    """What must be said where an open or a still batch is heated to this temperature, 0..80 degC."""
    pressure_kpa = gauge_kpa(dissolved_volumes, temperature_c)
    return (
        *_ALWAYS,
        *((_sealed_still_caution(pressure_kpa, temperature_c),) if sealed else ()),
        *((_FOAM,) if dissolved_volumes > STILL_VOLUMES else ()),
    )


def _sealed_still_caution(pressure_kpa: float, temperature_c: float) -> Caution:
    text = (
        f"Even still, a full sealed bottle would hold about {pressure_kpa / KPA_PER_BAR:.1f} bar over the"
        f" atmosphere at {degrees(temperature_c)} degC, more as the liquid swells: stir the gas out first and"
        " loosen the closure."
    )
    return Caution(Hazard.PRESSURE, text)


_FOAM: Final = Caution(
    Hazard.HEAT,
    "Stir the gas out before it is heated: a gassy batch foams up hot and scalds. Warm it slowly, in a pot"
    " filled to two thirds at the most.",
)
_ALWAYS: Final = (
    Caution(
        Hazard.PRESSURE,
        "Never heat anything carbonated in a sealed vessel. Even still bottles need a headspace and lose"
        " their closure to the liquid's expansion: heat them upright, open or with the closure loose, in a"
        " covered bath.",
    ),
    Caution(
        Hazard.HEAT,
        "Hot liquid and hot glass scald and crack: warm and cool slowly, at no more than some 20 degC between"
        " glass and bath, with gloves, eye protection and a lid.",
    ),
    Caution(
        Hazard.ALCOHOL,
        "Warm alcohol vapour burns: no open flame, and air in the room.",
    ),
    Caution(
        Hazard.QUALITY,
        "The coldest spot counts: measure in the middle of a bottle, not in the bath. Units say nothing of"
        " dirty bottles; and yeast that is killed comes back with the first unclean spoon.",
    ),
)
