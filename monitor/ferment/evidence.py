"""All that the numbers say at one moment, and no adjectives.

Evidence follows from readings, journal, premise and `FitSettings` only, never from a threshold, a verdict or
an alert; so a sweep of thresholds folds over stored evidence and fits nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.units import MS_PER_HOUR

NAN: Final = math.nan


@dataclass(frozen=True, slots=True)
class FitSettings:
    """When and over what is fitted. Not for sweeping: evidence has to be measured anew for each."""

    window_hours: int = 192
    """Longest stretch the tail is judged on."""
    least_window_hours: int = 60
    look_up_hours: int = 3
    """What is left, and when it will have gone, is looked up this often."""
    noise_hours: int = 12
    """The float's noise is learnt anew this often: it is the float's own and changes slowly."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Scalars at `at_ms`; gravities in points as corrected by hand samples; nan where not known.

    `left_*` are quantiles of the points still to fall.
    """

    at_ms: int
    readings: float = 0.0
    """Hours of the last two days that hold a reading."""
    silent_hours: float = NAN
    """Since the believed float was last heard."""
    data_age_hours: float = NAN
    """Since the latest measured hour; less what the sensor's clock is behind by, up to a day."""
    hours_in: float = NAN
    """Since pitching."""
    epoch_hours: float = NAN
    """Since pitching or since sugar was last added."""
    start_points: float = NAN
    level_points: float = NAN
    level_se: float = NAN
    fallen_points: float = NAN
    slope_day: float = NAN
    slope_day_se: float = NAN
    slope_two: float = NAN
    """Points a day over the last two days; negative when falling."""
    slope_two_se: float = NAN
    slope_four: float = NAN
    slope_four_se: float = NAN
    slope_seven: float = NAN
    """Over the last week, or since it was last near its fastest where that is less."""
    slope_seven_se: float = NAN
    peak_per_day: float = NAN
    slowed_hours: float = NAN
    """Since it was last near its fastest."""
    expected_points: float = NAN
    """Where this must should end, as this float reads."""
    expected_sd: float = NAN
    added_points: float = 0.0
    """By how much sugar that went in raised the gravity, written down or not, by the float or else by
    hand samples; nan where neither can tell."""
    apart_points: float = 0.0
    """By how much this float seems to read above the maker's own sample."""
    apart_sd: float = NAN
    """How far off it may read beyond that."""
    left_p05: float = NAN
    left_p50: float = NAN
    left_p95: float = NAN
    unfinished: float = NAN
    """Probability that more than one and three quarter points are still to fall."""
    final_p05: float = NAN
    final_p50: float = NAN
    final_p95: float = NAN
    end_hours_p05: float = NAN
    """Hours from now until a point is left."""
    end_hours_p50: float = NAN
    end_hours_p95: float = NAN
    alcohol_room_abv: float = NAN
    """Yeast's tolerance less the alcohol made so far, per cent by volume."""
    temperature_c: float = NAN
    temperature_drop_c: float = NAN
    cold_hours: float = NAN
    below_c: float = NAN
    above_c: float = NAN
    watch_hours: float = NAN
    """Since the batch was stabilised, sweetened or packaged."""
    watch_fall: float = NAN
    """Points fallen since then, knocks of the float taken out."""
    watch_fall_se: float = NAN
    rise_hours: float = NAN
    """Since the gravity last rose for good without an entry in the journal."""
    rise_fall: float = NAN
    """Points fallen since then."""
    rise_fall_se: float = NAN
    white_points: float = NAN
    wander_points: float = NAN
    offset_points: float = 0.0
    offset_sd: float = NAN
    by_hand_points: float = NAN
    """The last hand sample, where the believed float has not been heard since."""
    by_hand_hours: float = NAN
    """Its age."""
    by_hand_same_hours: float = NAN
    """For how long before it hand samples read the same; 0 where it is the only one that does."""
    by_hand_fell_points: float = NAN
    """How far it fell since the sample before it; nan where sugar went in between them."""
    by_hand_fell_hours: float = NAN
    """In so long."""
    by_hand_crept_points: float = NAN
    """How far it fell over a week or longer, where samples that read the same still follow that fall."""
    by_hand_crept_hours: float = NAN
    """In so long."""
    by_hand_original_points: float = NAN
    """What it had at pitching, by the sheet or a sample taken then; this and what follows is told where the
    float is silent."""
    by_hand_expected_points: float = NAN
    """Where this must should end, as a hydrometer reads; nan where it was put to rest, and may stay sweet."""
    by_hand_expected_sd: float = NAN
    by_hand_rest_hours: float = NAN
    """Since the batch was last stabilised, sweetened or packaged."""
    by_hand_lost_points: float = NAN
    """How far its last sample reads below one of the batch at rest."""
    by_hand_lost_hours: float = NAN
    """In so long."""
    by_hand_lost_before_points: float = NAN
    """How far the sample before the last does."""
    by_hand_lost_error_points: float = NAN
    """What one sample must have lost to tell a fall."""
    by_hand_still_hours: float = NAN
    """For how long it has been known to stand where its last sample reads; 0 where it creeps on."""
    doubt_points: float = NAN
    """By how much a hand sample that is in doubt reads above the float."""
    doubt_rise_points: float = NAN
    """By how much one in doubt reads above the sample before it, where there was no float beside it."""
    doubt_hours: float = NAN
    """Age of the sample in doubt."""

    @property
    def shown_points(self) -> float:
        """The gravity to tell whoever asks: the hand sample where it is newer than the float's word."""
        return self.level_points if math.isnan(self.by_hand_points) else self.by_hand_points

    @property
    def by_hand_ms(self) -> int | None:
        """When that sample was taken; None where the float's word is the newer one."""
        if math.isnan(self.by_hand_points):
            return None
        return self.at_ms - round(self.by_hand_hours * MS_PER_HOUR)
