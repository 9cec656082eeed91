"""Sulfur dioxide: how much of it protects, how much must be added, and what the limits are.

How much of the free SO2 is molecular hangs on a constant that sources do not agree on; see
`monitor.cellar.dissociation`. Whichever is chosen is written into the result. Laws change and bind those who
sell; limits are shown as advice, with their year.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

import numpy as np

from monitor.cellar.caution import Advised, Caution, Hazard
from monitor.cellar.dissociation import (
    TEXTBOOK_PK,
    PkConvention,
    colder_cautions,
    molecular_share,
    reckoned_c,
    so2_pk,
)
from monitor.cellar.molar import NA, SULFUR_DIOXIDE_G_MOL, H, K, O, S
from monitor.cellar.possible import within

ACIDIFY_FIRST_PH: Final = 3.8
"""Above this the free SO2 needed collides with taste and with the limits."""
STOCK_STRENGTH: Final = 0.10
"""A 10 % stock solution: 10 g of salt made up to 100 mL with water."""
LABEL_MG_L: Final = 10.0
"""Total from which sulfites are declared: in the US at this figure, in the EU above it (as of 2016)."""
USUAL_TARGET_MG_L: Final = 0.8
"""Molecular SO2 for a sweet liquid, common practice."""
DRY_TARGET_MG_L: Final = 0.5
"""Molecular SO2 for a dry liquid, common practice."""
YEARLY_LOSS: Final = 0.10
"""Share of its strength that opened powder loses in a year: common practice, from memory, varies widely."""
OLDEST_POWDER_YEARS: Final = 2.0
"""Older powder is bought anew: what is left of it is anyone's guess, and a wrong guess overdoses."""

_BOUND_PH: Final = (3.1, 3.5)
_BOUND_SHARE: Final = (0.25, 0.50)


class Salt(StrEnum):
    """What the SO2 is bought as."""

    POTASSIUM_METABISULFITE = "potassium metabisulfite"
    SODIUM_METABISULFITE = "sodium metabisulfite"
    POTASSIUM_BISULFITE = "potassium bisulfite"


_METABISULFITE_G_MOL: Final = 2 * S + 5 * O
_SO2_YIELD: Final[Mapping[Salt, float]] = MappingProxyType(
    {
        Salt.POTASSIUM_METABISULFITE: 2 * SULFUR_DIOXIDE_G_MOL / (2 * K + _METABISULFITE_G_MOL),
        Salt.SODIUM_METABISULFITE: 2 * SULFUR_DIOXIDE_G_MOL / (2 * NA + _METABISULFITE_G_MOL),
        Salt.POTASSIUM_BISULFITE: SULFUR_DIOXIDE_G_MOL / (K + H + S + 3 * O),
    }
)


@dataclass(frozen=True, slots=True)
class SulfiteLimit:
    """The most total SO2 that a law allows in a drink for sale."""

    place: str
    drink: str
    total_mg_l: float
    source: str


LIMITS: Final = (
    SulfiteLimit("US", "wine, honey wine among it", 350.0, "27 CFR 4.22(b)(1), as of 2016"),
    SulfiteLimit(
        "EU", "mead", 200.0, "Regulation (EC) No 1333/2008, category 14.2.5, from memory, as of 2023"
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SulfiteRefusal(Advised):
    """No weight for the batch as it is: why, and what to do first."""

    ph: float
    free_needed_mg_l: float
    """Free SO2 that gives the target at this pH."""
    reason: str
    instead: str
    after_acid: SulfiteDose | None
    """The dose once the pH is at `ACIDIFY_FIRST_PH`; None where acid alone would not help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SulfiteDose(Advised):
    """Salt to add to a batch for a molecular SO2, and what the batch then holds."""

    convention: PkConvention
    pk: float
    temperature_c: float
    """Of the liquid, degC."""
    reckoned_c: float | None
    """What the constant holds for, degC: the table's first temperature where the liquid is colder; None for
    the flat one, which knows no temperature."""
    molecular_target_mg_l: float
    free_needed_mg_l: float
    """Free SO2 that gives the target at this pH."""
    so2_to_add_mg_l: float
    """What must be added for it: part of the addition binds."""
    bound_share: float
    total_after_mg_l: float
    """Total found before, or the free where no total was given, and the addition."""
    most_total_after_mg_l: float
    """The same if the powder is as strong as new: what limits are held against."""
    salt: Salt
    salt_g: float
    stock_10_percent_ml: float
    """The same as a 10 % solution of the same powder."""
    limits_exceeded: tuple[SulfiteLimit, ...]
    label_required: bool
    """Total at or above 10 mg/L: sulfites must be declared on drink for sale."""

    @property
    def flattered(self) -> tuple[Caution, ...]:
        """What is to be said where the liquid is colder than its constant."""
        return colder_cautions(self.convention, self.temperature_c)


def so2_yield_g_per_g(salt: Salt) -> float:
    """Grams of SO2 in one gram of pure salt (IUPAC masses)."""
    return _SO2_YIELD[salt]


def molecular_so2_mg_l(free_mg_l: float, ph: float, pk: float = TEXTBOOK_PK) -> float:
    """Molecular SO2, mg/L, that so much free SO2 holds. Raises QuantityError outside 0..500 mg/L."""
    return within("free SO2", free_mg_l, 0.0, 500.0, "mg/L") * molecular_share(ph, pk)


def free_so2_needed_mg_l(molecular_mg_l: float, ph: float, pk: float = TEXTBOOK_PK) -> float:
    """Free SO2, mg/L, that holds so much molecular; undoes `molecular_so2_mg_l`."""
    return within("molecular SO2", molecular_mg_l, 0.0, 2.0, "mg/L") / molecular_share(ph, pk)


def bound_share_estimate(ph: float) -> float:
    """Share of an addition that binds and protects nothing: a club rule, 25 % at pH 3.1 to 50 % at 3.5.

    Held at its ends. A young honey ferment may bind more, mainly to acetaldehyde (from memory): measure the
    free SO2 a day later rather than trust this.
    """
    return float(np.interp(ph, _BOUND_PH, _BOUND_SHARE))


def salt_g(so2_mg_l: float, volume_l: float, salt: Salt, powder_strength: float = 1.0) -> float:
    """Grams of salt that bring so many mg/L of SO2 into a volume.

    `powder_strength` is what is left of the powder's strength, 1 when new. Raises QuantityError outside
    0..500 mg/L, 0..10000 L and a strength of 0.3..1.
    """
    within("SO2 addition", so2_mg_l, 0.0, 500.0, "mg/L")
    within("volume", volume_l, 0.0, 10_000.0, "L")
    within("powder strength", powder_strength, 0.3, 1.0, hint="discard weaker powder")
    return so2_mg_l / 1_000.0 * volume_l / (so2_yield_g_per_g(salt) * powder_strength)


def so2_added_mg_l(grams: float, volume_l: float, salt: Salt, powder_strength: float = 1.0) -> float:
    """SO2, mg/L, that a weight of salt brings into a volume; undoes `salt_g`."""
    within("salt", grams, 0.0, 100_000.0, "g")
    within("volume", volume_l, 0.01, 10_000.0, "L")
    within("powder strength", powder_strength, 0.3, 1.0)
    return 1_000.0 * grams * so2_yield_g_per_g(salt) * powder_strength / volume_l


def powder_strength_after(years_open: float, yearly_loss: float = YEARLY_LOSS) -> float:
    """What is left of a powder's strength after years in an opened bag, 1 when new.

    An estimate to weigh by, not a measurement; fresh powder each year is surer: a powder better than
    believed overdoses. Raises QuantityError outside 0..2 years and a loss of 0..0.5.
    """
    hint = "buy fresh powder: nobody knows what is left of older powder, and a wrong guess overdoses"
    within("age of the opened powder", years_open, 0.0, OLDEST_POWDER_YEARS, "years", hint=hint)
    within("yearly loss", yearly_loss, 0.0, 0.5)
    return float((1.0 - yearly_loss) ** years_open)


def limits_exceeded(total_mg_l: float) -> tuple[SulfiteLimit, ...]:
    """The limits that a total lies above."""
    return tuple(limit for limit in LIMITS if total_mg_l > limit.total_mg_l)


def _total_before_mg_l(free_mg_l: float, total_mg_l: float | None) -> float:
    """Total SO2 in the batch as far as it is known: the free is the least it can be."""
    within("free SO2", free_mg_l, 0.0, 500.0, "mg/L")
    if total_mg_l is None:
        return free_mg_l
    return within("total SO2", total_mg_l, free_mg_l, 1_000.0, "mg/L", hint="the total includes the free")


def sulfite_dose(
    volume_l: float,
    ph: float,
    *,
    alcohol_abv: float,
    temperature_c: float = 20.0,
    molecular_target_mg_l: float = USUAL_TARGET_MG_L,
    free_mg_l: float = 0.0,
    total_mg_l: float | None = None,
    salt: Salt = Salt.POTASSIUM_METABISULFITE,
    powder_strength: float = 1.0,
    bound_share: float | None = None,
    convention: PkConvention = PkConvention.TEXTBOOK,
) -> SulfiteDose:
    """What to weigh for a molecular target, given the free (and total) SO2 measured in the batch.

    `bound_share` is estimated from pH where it is None; 0 if the addition is known to stay free. Nothing is
    cut off at a limit: what is exceeded is listed. Raises QuantityError for impossible values.
    """
    before_mg_l = _total_before_mg_l(free_mg_l, total_mg_l)
    pk = so2_pk(temperature_c, alcohol_abv, convention)
    needed_mg_l = free_so2_needed_mg_l(molecular_target_mg_l, ph, pk)
    share = bound_share_estimate(ph) if bound_share is None else within("bound share", bound_share, 0.0, 0.8)
    add_mg_l = max(needed_mg_l - free_mg_l, 0.0) / (1.0 - share)
    within("SO2 addition", add_mg_l, 0.0, 500.0, "mg/L", hint="lower the pH with acid first")
    grams = salt_g(add_mg_l, within("volume", volume_l, 0.1, 10_000.0, "L"), salt, powder_strength)
    after_mg_l = before_mg_l + add_mg_l
    most_after_mg_l = before_mg_l + add_mg_l / powder_strength
    over = limits_exceeded(most_after_mg_l)
    flattered = colder_cautions(convention, temperature_c)
    return SulfiteDose(
        convention=convention,
        pk=pk,
        temperature_c=temperature_c,
        reckoned_c=reckoned_c(temperature_c, convention),
        molecular_target_mg_l=molecular_target_mg_l,
        free_needed_mg_l=needed_mg_l,
        so2_to_add_mg_l=add_mg_l,
        bound_share=share,
        total_after_mg_l=after_mg_l,
        most_total_after_mg_l=most_after_mg_l,
        salt=salt,
        salt_g=grams,
        stock_10_percent_ml=grams / STOCK_STRENGTH,
        limits_exceeded=over,
        label_required=most_after_mg_l >= LABEL_MG_L,
        cautions=(*flattered, *_dose_cautions(ph, most_after_mg_l, over, powder_strength), *HANDLING)
        if add_mg_l > 0.0
        else (*flattered, *_none_cautions(most_after_mg_l, over)),
    )


def dose_or_refusal(
    dose_at: Callable[[float], SulfiteDose],
    ph: float,
    molecular_target_mg_l: float,
    pk: float = TEXTBOOK_PK,
    free_mg_l: float = 0.0,
) -> SulfiteDose | SulfiteRefusal:
    """The dose, or why none should be weighed out at this pH: it is too high, or a limit would be passed.

    `dose_at` works out the dose of this batch at a pH; it is one of nothing where the free SO2 in it is
    enough. Held against the lowest limit there is, with powder that may be as strong as new.
    """
    needed_mg_l = free_so2_needed_mg_l(molecular_target_mg_l, ph, pk)
    if free_mg_l >= needed_mg_l:
        return dose_at(ph)
    dose = dose_at(min(ph, ACIDIFY_FIRST_PH))
    if ph <= ACIDIFY_FIRST_PH and not dose.limits_exceeded:
        return dose
    if ph > ACIDIFY_FIRST_PH:
        reason = (
            f"At pH {ph:.2f} it takes {needed_mg_l:.0f} mg/L of free SO2: that much is tasted, and it nears"
            " or passes the limits of the law."
        )
        instead = (
            f"Bring the pH to {ACIDIFY_FIRST_PH:g} or below first: half a gram of acid a litre at a time, the"
            " pH measured and the drink tasted after each. Then work this out again with the pH it reads."
        )
        enough = "" if not dose.limits_exceeded else " Even there the dose would pass a limit."
    else:
        limit = min(dose.limits_exceeded, key=lambda one: one.total_mg_l)
        reason = (
            f"The batch could hold {dose.most_total_after_mg_l:.0f} mg/L in all: above the"
            f" {limit.total_mg_l:.0f} mg/L for {limit.drink} in the {limit.place} ({limit.source})."
        )
        instead = (
            "Aim for less molecular SO2, take fresh powder, or lower the pH further by acid; where the total"
            " is high already, keep the batch cold instead."
        )
        enough = ""
    after_acid = dose if ph > ACIDIFY_FIRST_PH and not dose.limits_exceeded else None
    return SulfiteRefusal(
        ph=ph,
        free_needed_mg_l=needed_mg_l,
        reason=reason,
        instead=instead + enough,
        after_acid=after_acid,
        cautions=(*dose.flattered, *HANDLING) if after_acid is None else after_acid.cautions,
    )


def _dose_cautions(
    ph: float, after_mg_l: float, over: tuple[SulfiteLimit, ...], powder_strength: float
) -> tuple[Caution, ...]:
    found = []
    if ph > ACIDIFY_FIRST_PH:
        text = (
            f"At pH {ph:.2f} so much free SO2 is needed that taste and limits suffer: lower the pH to"
            f" {ACIDIFY_FIRST_PH:g} or less with acid first, then work this out again."
        )
        found.append(Caution(Hazard.QUALITY, text))
    held = f"About {after_mg_l:.0f} mg/L in all would lie above"
    found += _lawful(held, "do not add this much", after_mg_l, over)
    if powder_strength < 1.0:
        text = (
            f"Weighed for powder at {100.0 * powder_strength:.0f} % of its strength, an estimate: if it is"
            f" as strong as new the batch holds {after_mg_l:.0f} mg/L in all. Buy fresh powder each year and"
            " keep it dry and airtight."
        )
        found.append(Caution(Hazard.SULFITE, text))
    return tuple(found)


def _none_cautions(total_mg_l: float, over: tuple[SulfiteLimit, ...]) -> tuple[Caution, ...]:
    """What is said where nothing is to be added."""
    held = f"It holds {total_mg_l:.0f} mg/L in all, above"
    return (*_lawful(held, "add none", total_mg_l, over), _ACID_FREES, *HANDLING)


def _lawful(held: str, then: str, total_mg_l: float, over: tuple[SulfiteLimit, ...]) -> Iterator[Caution]:
    """What the law has to say of so much: each limit that is passed, and the label."""
    for limit in over:
        text = (
            f"{held} the {limit.total_mg_l:.0f} mg/L for {limit.drink} in the {limit.place} ({limit.source}):"
            f" {then}."
        )
        yield Caution(Hazard.LAW, text)
    if total_mg_l >= LABEL_MG_L:
        yield _LABEL


_LABEL: Final = Caution(
    Hazard.LAW,
    f"At {LABEL_MG_L:.0f} mg/L or more drink for sale must say that it contains sulfites; the rules of the"
    " place of sale decide.",
)
_ACID_FREES: Final = Caution(
    Hazard.SULFITE,
    "Acid that is added later sets some of the sulfite free as gas: stir it in slowly, in moving air, do not"
    " breathe over it, and measure free SO2 and pH again a day later.",
)
HANDLING: Final = (
    Caution(
        Hazard.SULFITE,
        "Some people, mostly with asthma, react badly to sulfites: mark every bottle that holds any, and ask"
        " before serving it.",
    ),
    Caution(
        Hazard.SULFITE,
        "The powder gives off a gas that burns eyes and airways: open and weigh it in moving air, do not"
        " breathe over it, wear eye protection, and never mix it dry with acid or in a closed room.",
    ),
    Caution(
        Hazard.QUALITY,
        "Weigh it on a scale that shows 0.1 g or better, or measure out a fresh 10 % solution where the"
        " weight is small; dissolve it in a little cool water, stir it in gently, and measure free SO2 and pH"
        " again a day later.",
    ),
)
"""What must be said wherever sulfite is handled."""
