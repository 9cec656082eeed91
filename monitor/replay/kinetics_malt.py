"""Two published malt models beside the nitrogen-limited one, so that no single mechanism is all there is.

- three sugars taken up one after the other: Gee & Ramirez, J. Inst. Brew. 100 (1994) 321;
- lagging, active and dead cells: de Andres-Toro, Giron-Sierra, Fernandez-Conde, Peinado & Garcia-Ochoa
  (IFAC 1997), whose yeast dies in a warm room and may leave sugar behind.

Both give derivatives of the same state as `kinetics`; where that has no place for a quantity of theirs, the
places of nitrogen and capacity, which they do not know, hold it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

GLUCOSE_G_MOL: Final = 180.16
MALTOSE_G_MOL: Final = 342.30
MALTOTRIOSE_G_MOL: Final = 504.44
MOLAR: Final = (GLUCOSE_G_MOL, MALTOSE_G_MOL, MALTOTRIOSE_G_MOL)
GROWTH_PER_MOL: Final = (0.134, 0.268, 0.402)

TABLE_C: Final = (4.0, 8.0, 12.0, 16.0)
TABLE: Final = {
    "VG": (0.0048, 0.013, 0.015, 0.0302),
    "VM": (0.0144, 0.0268, 0.028, 0.0364),
    "VN": (0.087, 0.113, 0.130, 0.151),
    "KG": (23.5, 4.7, 1.8, 0.102),
    "KM": (1100.0, 814.0, 610.0, 360.0),
    "KN": (10900.0, 7160.0, 4460.0, 2410.0),
    "KiG": (123.0, 182.0, 240.0, 262.0),
    "KiM": (2090.0, 6360.0, 8010.0, 17500.0),
}
"""Gee & Ramirez: per hour and mol/m3, at the temperatures above."""
WARMEST_C: Final = 22.0
"""Beyond the table the velocities rise on, the other constants stay; above this nothing rises."""
VELOCITY_RISE_PER_C: Final = 0.05

Rates = Callable[[Sequence[float], float], list[float]]


def constants_at(temperature_c: float) -> dict[str, float]:
    """The constants of Gee & Ramirez at a temperature, between those of the table on a log scale."""
    warm = min(max(temperature_c, TABLE_C[0]), TABLE_C[-1])
    beyond = math.exp(VELOCITY_RISE_PER_C * max(min(temperature_c, WARMEST_C) - TABLE_C[-1], 0.0))
    found = {}
    for name, values in TABLE.items():
        value = math.exp(float(np.interp(warm, TABLE_C, np.log(values))))
        found[name] = value * beyond if name.startswith("V") else value
    return found


def three_sugar_rates(speed: float, ethanol_yield: float, heat: float, cooling_h: float) -> Rates:
    """Derivatives by Gee & Ramirez; the active cells are theirs, mol/m3, and `speed` scales time."""
    grid = [constants_at(0.25 * place) for place in range(120)]

    def rates(state: Sequence[float], room_c: float) -> list[float]:
        cells, warmth = state[1], state[7]
        at = grid[min(max(round(4.0 * warmth), 0), len(grid) - 1)]
        glucose, maltose, triose = (
            max(left, 0.0) * 1000.0 / molar for left, molar in zip(state[8:], MOLAR, strict=True)
        )
        freed = at["KiG"] / (at["KiG"] + glucose)
        cold = speed if warmth > 1.0 else 0.0
        velocities = (
            cold * at["VG"] * glucose / (at["KG"] + glucose),
            cold * at["VM"] * maltose / (at["KM"] + maltose) * freed,
            cold * at["VN"] * triose / (at["KN"] + triose) * freed * at["KiM"] / (at["KiM"] + maltose),
        )
        flows = [velocity * cells * molar / 1000.0 for velocity, molar in zip(velocities, MOLAR, strict=True)]
        total = sum(flows)
        growth = sum(share * v for share, v in zip(GROWTH_PER_MOL, velocities, strict=True)) * cells
        return [
            0.0, growth, 0.0, 0.0, 0.0, ethanol_yield * total, 0.03 * total,
            heat * total - (warmth - room_c) / cooling_h, *(-flow for flow in flows),
        ]  # fmt: skip

    return rates


def cell_rates(
    speed: float, sugar_at_start: float, ethanol_yield: float, heat: float, cooling_h: float
) -> Rates:
    """Derivatives by de Andres-Toro and others.

    The state's place of nitrogen holds their dead cells still afloat, that of capacity their ethanol, which
    is not tied to sugar and so is not what the gravity is taken from.
    """
    half = 0.5 * sugar_at_start

    def rates(state: Sequence[float], room_c: float) -> list[float]:
        lagging, active, _, dead, own_ethanol, _, _, warmth, *sugars = state
        kelvin = min(max(warmth, 2.0), 26.0) + 273.15
        sugar = max(sum(sugars), 0.0)
        growing = math.exp(108.31 - 31934.09 / kelvin) * sugar / (half + own_ethanol)
        keeping = math.exp(-119.63 + 34203.95 / kelvin)
        eating = math.exp(-41.92 + 11654.64 / kelvin) * sugar / (keeping + sugar)
        making = math.exp(3.27 - 1267.24 / kelvin) * sugar / (keeping + sugar)
        waking = math.exp(30.72 - 9501.54 / kelvin) * lagging
        dying = math.exp(130.16 - 38313.0 / kelvin) * active
        sinking = half * math.exp(33.82 - 10033.28 / kelvin) / (half + own_ethanol) * dead
        flow = speed * eating * active
        made = (1.0 - own_ethanol / half) * making * active
        shares = [left / sugar if sugar > 0.0 else 0.0 for left in sugars]
        return [
            -speed * waking, speed * (growing * active - dying + waking), 0.0, speed * (dying - sinking),
            speed * made, ethanol_yield * flow, 0.03 * flow,
            heat * flow - (warmth - room_c) / cooling_h, *(-flow * share for share in shares),
        ]  # fmt: skip

    return rates
