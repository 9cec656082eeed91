"""From what is known of a batch to what its plan is worked out from."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.cellar.plan_sheet import HONEY_LEAVES, TEMPERATURE_C, USUAL_VOLUMES, BatchFacts
from monitor.errors import InputError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.premise import Must, MustKind
from monitor.ferment.terminal import ADDED_SHARE, BY_PRODUCTS, SHARES
from monitor.units import POINTS_PER_SG

UNNAMED: Final = "batch"
_DRINKS: Final[dict[MustKind | None, str]] = {MustKind.HONEY: "mead", MustKind.MALT: "beer"}
_FRUIT_DRINKS: Final = ("cider", "wine")
REAL_PER_APPARENT: Final = 0.8192
"""Balling: so much of the apparent attenuation is real (RE = 0.1808 OE + 0.8192 AE, from memory)."""


def facts_of(
    sheet: Sheet,
    *,
    gravity_sg: float | None,
    added_points: float = 0.0,
    temperature_c: float | None = None,
    expected_points: float = math.nan,
    sampled_days: float | None = None,
    journal: Iterable[JournalEntry] = (),
) -> BatchFacts:
    """The facts of a batch as it stands.

    `added_points` is by how much sugar on the way raised the gravity, `expected_points` where its must should
    end; nan where that is not known. `sampled_days` is how old the hand sample is that
    the gravity is of. The journal tells what was done; doses are not read out of its words.

    Raises InputError naming what has to be known first, QuantityError for what cannot be.
    """
    if sheet.must.volume_l is None:
        raise InputError("no plan without the volume of the batch", hint="write it on the sheet")
    if gravity_sg is None:
        raise InputError(
            "no plan without the gravity of the batch", hint="write down a hand sample: no float has told it"
        )
    expected_sg = None if math.isnan(expected_points) else 1.0 + expected_points / POINTS_PER_SG
    target_sg, volumes = sheet.sweeten_to_sg, sheet.carbonation_volumes
    passed = target_sg is not None and target_sg <= gravity_sg
    low_c, high_c = TEMPERATURE_C
    known_c = temperature_c if temperature_c is not None and low_c <= temperature_c <= high_c else None
    return BatchFacts(
        name=sheet.name,
        drink=drink_of(sheet),
        volume_l=sheet.must.volume_l,
        gravity_sg=gravity_sg,
        sampled_days=sampled_days,
        sugar_untold=math.isnan(added_points) and sheet.must.original_gravity_sg is not None,
        temperature_c=known_c,
        original_gravity_sg=None if math.isnan(added_points) else sheet.must.original_gravity_sg,
        added_points=0.0 if math.isnan(added_points) else added_points,
        expected_final_gravity_sg=expected_sg,
        unfermentable_share=unfermentable_share(sheet.must, added_points),
        stabilised=any(one.kind is JournalKind.STABILISED for one in journal),
        ph=sheet.sample_ph,
        sweeten_to_sg=None if passed else target_sg,
        passed_sg=target_sg if passed else None,
        vessel_l=sheet.vessel.capacity_l,
        carbonation_volumes=USUAL_VOLUMES if volumes is None else volumes,
        volumes_assumed=volumes is None,
        keg_assumed=True,
    )


def drink_of(sheet: Sheet) -> str:
    """What a batch is called: by its must, or by its name where that leaves several; else a batch.

    Honey makes mead and malt beer, whatever the name says; fruit makes cider or wine.
    """
    kind = sheet.must.kind
    if kind in _DRINKS:
        return _DRINKS[kind]
    fitting = _FRUIT_DRINKS if kind is MustKind.FRUIT else (*_FRUIT_DRINKS, *_DRINKS.values())
    named = set(re.findall(r"[a-z]+", sheet.name.lower()))
    found = [drink for drink in fitting if drink in named]
    return found[0] if len(found) == 1 else UNNAMED


def unfermentable_share(must: Must, added_points: float = 0.0) -> float:
    """Of all solids that went in, what is usually left where all that yeast can take is gone.

    By the kind of must, honey where nobody said, with glycerol and acids. A maker's attenuation counts for
    malt alone, whose dextrins only it tells; elsewhere a yeast that gives up early leaves sugar, and that
    can ferment. Sugar on the way leaves next to nothing.
    """
    if must.kind is None:
        left = HONEY_LEAVES
    elif must.kind is MustKind.MALT and must.expected_apparent_attenuation is not None:
        low, high = must.expected_apparent_attenuation
        left = max(1.0 - REAL_PER_APPARENT * (low + high) / 2.0, 0.0)
    else:
        left = 1.0 - SHARES[must.kind][0] + REAL_PER_APPARENT * BY_PRODUCTS[must.kind]
    if must.original_gravity_sg is None or not added_points > 0.0:
        return left
    original_points = (must.original_gravity_sg - 1.0) * POINTS_PER_SG
    part = added_points / max(original_points + added_points, added_points)
    return (1.0 - part) * left + part * (1.0 - ADDED_SHARE[0])
