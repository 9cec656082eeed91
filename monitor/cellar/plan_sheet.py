"""What a plan is made from and what it is: values only; see `monitor.cellar.plan` for how it is worked
out."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from monitor.cellar.acid import Acid, AcidSolution
from monitor.cellar.carbonation import MOST_VOLUMES, residual_volumes
from monitor.cellar.caution import Advised
from monitor.cellar.possible import within
from monitor.cellar.pressure import (
    DISSOLVED_VOLUMES,
    WARM_ROOM_C,
    beyond_plain_bottle,
    bottle_gauge_kpa,
    volumes_of,
)
from monitor.cellar.sorbate import Reliance, SorbateDose
from monitor.cellar.sulfite import ACIDIFY_FIRST_PH, SulfiteDose
from monitor.cellar.sweetening import Sweetening
from monitor.must.honey import DEFAULT_FERMENTABLE_SHARE, Sweetener, honey

USUAL_VOLUMES: Final = 3.0
"""Volumes of CO2 in a keg of session mead, common practice."""
USUAL_ACID: Final = AcidSolution(Acid.CITRIC, 10.0)
COLD_KEG_C: Final = 4.0
KEG_C: Final = (0.0, 40.0)
"""What a keg's pressure can be worked out for."""
HONEY_LEAVES: Final = 1.0 - DEFAULT_FERMENTABLE_SHARE + 0.023
"""Share of a honey must's solids that is there at the usual end: sugars that yeast cannot take, and glycerol
and acids that it made (0.028 points a point, see `monitor.ferment.terminal`, as extract)."""
DRY_MOST_G_L: Final = 4.0
"""Sugar up to which a drink is called dry: Commission Delegated Regulation (EU) 2019/33, Annex III, from
memory. It is about two points of gravity and makes a volume of carbon dioxide. A word of taste, no proof: a
must rich in what ferments may hold more where its gravity looks dry (`Course.most_left_g_l`)."""
GRAVITY_SG: Final = (0.98, 1.2)
"""What a batch can stand at to be planned for, SG 20/20: up to the densest must that can be worked out."""
TEMPERATURE_C: Final = (-2.0, 40.0)
"""What a mead in its vessel can have."""
MEAD_PH: Final = (2.5, 5.0)
"""What the doses can be worked out for; a meter that shows anything else in a mead needs calibrating."""


@dataclass(frozen=True, slots=True)
class BatchFacts:
    """What is known of a finished batch; None where it is not.

    Raises QuantityError for what cannot be.
    """

    name: str
    volume_l: float
    gravity_sg: float
    """SG 20/20 of a degassed hand sample, or as corrected from the float."""
    temperature_c: float | None
    drink: str = "batch"
    """What it is called in sentences: mead, cider, wine, beer, or batch where that is not known."""
    original_gravity_sg: float | None = None
    added_points: float = 0.0
    """By how much sugar that went in on the way raised the gravity, all together."""
    sampled_days: float | None = None
    """Age of the hand sample that the gravity is of; None where it is of now, or the float's."""
    sugar_untold: bool = False
    """Whether the original gravity is on the sheet, and sugar that went in later makes it worth nothing."""
    abv: float | None = None
    """Per cent by volume where it is known better than from the gravities; goes before them."""
    expected_final_gravity_sg: float | None = None
    unfermentable_share: float = HONEY_LEAVES
    """Of the solids of the must, what is left of them where all that yeast can take is gone."""
    ph: float | None = None
    stabilised: bool = False
    """Whether sulfite, sorbate or both went in already; how much is known only where it is told here."""
    free_so2_mg_l: float | None = None
    total_so2_mg_l: float | None = None
    sorbate_g: float | None = None
    """Potassium sorbate that went in already, all together."""
    malolactic: bool = False
    sweeten_to_sg: float | None = None
    """None where it stays as it is."""
    passed_sg: float | None = None
    """What it was meant to be sweetened to, where it stands there or above it already."""
    sweetener: Sweetener = field(default_factory=honey)
    acid_rise_g_l: float = 0.0
    """Acid by taste, as that of the solution; 0 where none is wanted."""
    acid_solution: AcidSolution = USUAL_ACID
    infusion: str = ""
    """What is to flavour it; empty where nothing is."""
    infusion_g_l: float = 0.0
    vessel_l: float | None = None
    carbonation_volumes: float | None = USUAL_VOLUMES
    """None or 0 for a still mead."""
    volumes_assumed: bool = False
    """Whether nobody said how much it is to sparkle."""
    keg_temperature_c: float = COLD_KEG_C
    keg_assumed: bool = False
    """Whether nobody said how cold the keg stands."""

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        within("volume", self.volume_l, 0.1, 10_000.0, "L")
        too_early = "too early for a plan: a must so dense has hardly begun to ferment"
        hint = too_early if self.gravity_sg > GRAVITY_SG[1] else ""
        within("gravity", self.gravity_sg, *GRAVITY_SG, hint=hint)
        within("sugar added", self.added_points, 0.0, 200.0, "points")
        within("unfermentable share", self.unfermentable_share, 0.0, 1.0)
        if self.temperature_c is not None:
            within("temperature", self.temperature_c, *TEMPERATURE_C, "degC")
        if self.sorbate_g is not None:
            within("sorbate", self.sorbate_g, 0.0, 100_000.0, "g")
        within("keg temperature", self.keg_temperature_c, *KEG_C, "degC")
        within("acid by taste", self.acid_rise_g_l, 0.0, 10.0, "g/L")
        within("infusion", self.infusion_g_l, 0.0, 500.0, "g/L")
        if self.ph is not None:
            within("pH", self.ph, 2.0, 6.0)
        if self.vessel_l is not None:
            within("vessel", self.vessel_l, self.volume_l, 10_000.0, "L", hint="it must hold the batch")


@dataclass(frozen=True, slots=True, kw_only=True)
class Days:
    """When each thing is done, in days after the plan's first."""

    second_sample: float
    sulfite: float
    sorbate: float
    sweeten: float
    acid: float
    infuse: float
    package: float


def not_enough(sorbate: SorbateDose | None) -> bool:
    """Whether a batch that needs sorbate cannot rely on it."""
    return sorbate is not None and sorbate.reliance is not Reliance.ENOUGH


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Everything a plan says in figures."""

    facts: BatchFacts
    ph: float
    """Measured, or assumed."""
    temperature_c: float
    """The same."""
    left_g_l: float
    """What yeast could still take of the batch as it stands; a little below 0 where it has ended low."""
    most_left_g_l: float
    """The same at the worst, of a must rich in what ferments; 0 where nothing could."""
    lowest_sg: float
    """Where the batch as it stands could end at the worst; see `monitor.cellar.ending.lowest_end`."""
    sweetening: Sweetening | None
    sulfite: SulfiteDose
    """What it needs beyond what it is known to hold."""
    sorbate: SorbateDose | None
    """All that it should hold; None where it holds nothing that could ferment."""
    sorbate_due_g: float
    """What of that is still to be added, as far as is known."""
    ready_sg: float
    ready_abv: float
    ready_l: float
    days: Days

    @property
    def still_sweet(self) -> bool:
        """Whether it holds sugar before anything sweet is added."""
        return self.left_g_l > DRY_MOST_G_L

    @property
    def sweet(self) -> bool:
        """Whether it ends sweet, by what was left or by what is added."""
        return self.still_sweet or self.sweetening is not None

    @property
    def held_cold(self) -> bool:
        """Whether only cold (or filtration, or heat) keeps the sugar from fermenting."""
        return not_enough(self.sorbate)

    @property
    def kegged_volumes(self) -> float | None:
        """Carbonation that takes a keg; None where it is still."""
        volumes = self.facts.carbonation_volumes
        still = volumes is None or volumes <= residual_volumes(self.facts.keg_temperature_c)
        return None if still else volumes

    @property
    def worst_volumes(self) -> float:
        """What a bottle of it would hold at the worst: what is dissolved, and what could still be made."""
        return DISSOLVED_VOLUMES + volumes_of(self.most_left_g_l)

    @property
    def worst_kpa(self) -> float | None:
        """Gauge pressure, kPa, of a bottle of it in a warm place if it fell as far as it could.

        None where that is more than any bottle is made for.
        """
        volumes = self.worst_volumes
        return bottle_gauge_kpa(volumes, WARM_ROOM_C) if volumes <= MOST_VOLUMES else None

    @property
    def could_push(self) -> bool:
        """Whether nothing holds it back and at the worst it made more gas than a plain bottle bears."""
        return self.sorbate is None and beyond_plain_bottle(volumes_of(self.most_left_g_l))

    @property
    def proof_due(self) -> bool:
        """Whether it has to be proved that nothing is left to ferment before it is closed up."""
        return self.could_push and self.kegged_volumes is None

    @property
    def on_trust(self) -> bool:
        """Whether sulfite went in of which nobody has told how much is free."""
        return self.facts.stabilised and self.facts.free_so2_mg_l is None

    @property
    def sorbate_on_trust(self) -> bool:
        """Whether sorbate is needed that may have gone in, and nobody has told how much."""
        return self.sorbate is not None and self.facts.stabilised and self.facts.sorbate_g is None

    @property
    def sulfite_due(self) -> bool:
        """Whether sulfite is to be added, as far as is known."""
        lacks = self.sulfite.so2_to_add_mg_l > 0.0
        return lacks and not self.on_trust and not self.sulfite.limits_exceeded

    @property
    def acid_first(self) -> bool:
        """Whether acid has to go before the sulfite."""
        return self.ph > ACIDIFY_FIRST_PH and not self.on_trust


class StepKind(StrEnum):
    """What a step is."""

    FIRST_SAMPLE = "first sample"
    SECOND_SAMPLE = "second sample"
    RACK = "rack"
    ACIDIFY = "acidify"
    SULFITE = "sulfite"
    SORBATE = "sorbate"
    HOLD = "hold"  # by cold, filtration or heat, where sorbate is not enough
    SWEETEN = "sweeten"
    ACID = "acid"
    INFUSE = "infuse"
    WATCH = "watch"
    PROVE = "prove"  # that nothing is left to ferment, before anything is closed up
    KEG = "keg"
    BOTTLE = "bottle"


class AmountKind(StrEnum):
    """What an amount is of; the comment gives its unit."""

    MASS = "mass"  # g
    VOLUME = "volume"  # L
    PRESSURE = "pressure"  # kPa, gauge
    TEMPERATURE = "temperature"  # degC
    GRAVITY = "gravity"  # SG 20/20
    CONCENTRATION = "concentration"  # mg/L
    STRENGTH = "strength"  # % vol
    MINUTES = "minutes"
    NUMBER = "number"  # pH, volumes of CO2: no unit


@dataclass(frozen=True, slots=True)
class Amount:
    """A figure of a step, in the unit that its kind has."""

    what: str
    kind: AmountKind
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanStep(Advised):
    """One thing to do, on its day or days after the plan's first."""

    kind: StepKind
    title: str
    day: float
    until_day: float | None = None
    """Last day of a window; None where it is done in one."""
    what: tuple[str, ...]
    """Full sentences, in order."""
    amounts: tuple[Amount, ...] = ()
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan(Advised):
    """A batch's way from the last bubble to the glass; its own cautions are those of the whole."""

    name: str
    start_ms: int
    """When day 0 begins."""
    facts: tuple[Amount, ...]
    """What it was worked out from."""
    assumptions: tuple[str, ...]
    """What was not measured and had to be taken for granted, full sentences."""
    steps: tuple[PlanStep, ...]
    """In the order of their days."""
    end_sg: float
    end_abv: float
    end_volume_l: float
    foreword: str = ""
    """What every reader has to know before the rest, where the batch has not finished; empty where it has."""
    before_all: str = ""
    """What has to be settled before anything of it is done, a full sentence; empty where nothing has."""

    def step(self, kind: StepKind) -> PlanStep | None:
        """The step of this kind, or None where the plan has none."""
        return next((step for step in self.steps if step.kind is kind), None)
