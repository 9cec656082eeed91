"""Reasons and messages in a maker's words, with the numbers."""

from __future__ import annotations

import math
from typing import Final

from monitor.ferment.deeds import INFUSION_LONGEST_DAYS, INFUSION_USUAL_DAYS
from monitor.ferment.emission import AlertKind, Phase
from monitor.ferment.evidence import Evidence
from monitor.ferment.hand_course import LOST_POINTS, SAME_POINTS
from monitor.ferment.hand_end import AT_LIMIT_ABV, HandEnd, hand_end
from monitor.ferment.verdict import STALL_POINTS, WEEK_HOURS, falls_by_hand
from monitor.units import POINTS_PER_SG

AT_REST_POINTS: Final = 1.0
"""What has fallen by less in its last week is described by that week."""
LAG_DAYS: Final = 3.0
"""What has not begun by then needs its maker (common practice)."""
STILL_DAYS: Final = 3.0
"""What fell since a sample no older than this still ferments."""
SHOWN_POINTS: Final = 0.25
"""Less than this no float shows."""
_CLOSED: Final = (
    " Closed bottles can burst: keep them cold, behind a cover and away from people, vent them with eye"
    " protection, and leave the vessel under an airlock."
)


def gravity(points: float) -> str:
    """Specific gravity to four places, as makers read it."""
    return f"{1.0 + points / POINTS_PER_SG:.4f}"


def points(value: float) -> str:
    """A number of points to one place."""
    rounded = f"{abs(value):.1f}"
    return f"{rounded} point" if rounded == "1.0" else f"{rounded} points"


def span(hours: float) -> str:
    """A length of time: hours up to three days, then days."""
    return f"{hours:.0f} h" if hours < 72.0 else f"{hours / 24.0:.0f} days"


def ago(hours: float) -> str:
    """How long since: `just now`, `5 h ago`."""
    return "just now" if hours < 0.5 else f"{span(hours)} ago"


def contradiction(e: Evidence) -> str:
    """What is to be done about a hand sample in doubt, a whole sentence; nothing where none is."""
    if not math.isnan(e.doubt_rise_points):
        apart = f"{e.doubt_rise_points:.0f} points above the one before it, and no sugar is in the journal"
    elif math.isnan(e.doubt_points):
        return ""
    else:
        side = "above" if e.doubt_points > 0.0 else "below"
        apart = f"{abs(e.doubt_points):.0f} points {side} the float"
    return (
        f"The hand sample taken {ago(e.doubt_hours)} reads {apart}: take another, or take this one back,"
        " before anything is done."
    )


def _fall(e: Evidence, then: str = "") -> str:
    """How far it fell of late; `then` and the level follow, unless the level is all that is known."""
    if math.isnan(e.slope_two):
        return f"stands at {gravity(e.level_points)}"
    hours = min(48.0, e.epoch_hours)
    fallen = -e.slope_two * hours / 24.0
    if fallen > e.fallen_points > 0.0:
        # a line through its first days, the lag among them, would say more than has happened
        fallen, hours = e.fallen_points, e.epoch_hours
    return _fallen(fallen, hours, then, e.level_points)


def _fallen(by_points: float, hours: float, then: str, level_points: float) -> str:
    verb = "has risen" if by_points < -0.05 else "has fallen"
    return f"{verb} {points(by_points)} in {span(hours)}" + (
        f" {then} {gravity(level_points)}" if then else ""
    )


def _rests(e: Evidence) -> bool:
    """Whether it was at rest for all of its last week."""
    return e.slowed_hours >= WEEK_HOURS and abs(e.slope_seven) * WEEK_HOURS / 24.0 < AT_REST_POINTS


def _rest(e: Evidence, then: str = "") -> str:
    """The fall of a ferment at rest: over its last week, if that was all rest."""
    if _rests(e):
        return _fallen(-e.slope_seven * WEEK_HOURS / 24.0, WEEK_HOURS, then, e.level_points)
    return _fall(e, then)


def fall_per_day(phase: Phase, e: Evidence) -> float:
    """Points a day to tell beside the reason, over the same time; below 0 where it rises, nan: not known."""
    at_rest = phase in (Phase.FINISHED, Phase.STALLED) and _rests(e)
    return -(e.slope_seven if at_rest else e.slope_two)


def _gap(e: Evidence) -> str:
    """Beside where such musts end, after a comma; nothing where that is not known.

    The forecast, which has seen this one ferment, may well say another end. A sample in doubt bends it.
    """
    if contradiction(e):
        return ""
    gap = e.level_points - e.expected_points
    if math.isnan(gap):
        return ""
    side = "above" if gap >= 0.0 else "below"
    return f", {points(gap)} {side} where such a must usually ends"


def _left(e: Evidence) -> str:
    """What is still to fall, after a semicolon; nothing where that is not known."""
    if math.isnan(e.left_p50) or contradiction(e):
        return ""
    if e.left_p95 < SHOWN_POINTS:
        return "; hardly anything still to fall"
    if e.left_p95 < 10.0:
        return f"; {points(e.left_p50)} still to fall, {points(e.left_p95)} at most"
    return f"; about {points(e.left_p50)} still to fall"


def _fastest(e: Evidence) -> str:
    if math.isnan(e.peak_per_day):
        return ""
    return f" after {e.peak_per_day:.1f} points a day at its fastest"


def _by_hand(e: Evidence) -> str:
    """What hand samples say where no float does: words, and no verdict."""
    last = f"The last hand sample reads {gravity(e.by_hand_points)}, {ago(e.by_hand_hours)}"
    if falls_by_hand(e):
        return (
            f"{last}; it {_lost(e)}: it is likely fermenting again.{_CLOSED}{_unmixed(e)} No float is heard."
        )
    if contradiction(e):
        return f"{last}. No float is heard."
    end = hand_end(e)
    kept = ""
    if e.by_hand_lost_points >= LOST_POINTS:
        kept = f" It {_lost(e)} and stands since: vessels that were closed by then still hold that gas."
    if end is HandEnd.END:
        return f"{last}; {_equal(e)}: that is the maker's own sign of an end. No float confirms it.{kept}"
    if end is not HandEnd.OPEN:
        return f"{last}; {_no_end(e, end)} No float is heard.{kept}"
    if e.by_hand_fell_points > SAME_POINTS and e.by_hand_same_hours == 0.0:
        fell = f"{points(e.by_hand_fell_points)} in {span(e.by_hand_fell_hours)}"
        last = f"{last}; it fell {fell} since the one before it"
        if e.by_hand_fell_hours + e.by_hand_hours <= STILL_DAYS * 24.0:
            return f"{last}: still fermenting. No float is heard."
    return f"{last}; another one two to three days later tells whether it still falls. No float is heard."


def by_hand_warning(e: Evidence) -> str:
    """What hand samples say against stabilising, sweetening, packaging; nothing where they say nothing."""
    if falls_by_hand(e):
        return (
            f"It is fermenting again: by hand samples it {_lost(e)}. Add nothing sweet and close no vessel"
            f" before it has stood still for a week.{_CLOSED}{_unmixed(e)}"
        )
    end = hand_end(e)
    if math.isnan(e.by_hand_points) or end in (HandEnd.OPEN, HandEnd.END):
        return ""
    said = _no_end(e, end)
    return f"{said[0].upper()}{said[1:]}"


def _lost(e: Evidence) -> str:
    """By how much a batch at rest has fallen by hand samples."""
    return (
        f"fell {points(e.by_hand_lost_points)} in {span(e.by_hand_lost_hours)}, from"
        f" {gravity(e.by_hand_points + e.by_hand_lost_points)} to {gravity(e.by_hand_points)}, though it was"
        " meant to rest"
    )


def _unmixed(e: Evidence) -> str:
    """What else a small fall may be, from a sample that was taken as soon as it was sweetened."""
    early = e.by_hand_lost_error_points > LOST_POINTS and math.isnan(e.by_hand_lost_before_points)
    if not early or e.by_hand_lost_points >= STALL_POINTS:
        return ""
    return (
        " The sample before was taken soon after it was sweetened, and what is not stirred in by then reads"
        " wrong: take another before you make up your mind."
    )


def _equal(e: Evidence) -> str:
    return f"hand samples {span(e.by_hand_same_hours)} apart are equal within a point"


def _no_end(e: Evidence, end: HandEnd) -> str:
    """Why hand samples are no end, after a semicolon, and what to do, in whole sentences."""
    if end is HandEnd.NOT_BEGUN:
        hours, original = e.hours_in - e.by_hand_hours, gravity(e.by_hand_original_points)
        said = f"it has not begun to ferment, {span(hours)} after pitching at {original}."
        if hours < LAG_DAYS * 24.0:
            return f"{said} Before the third day that is no worry: sample again then."
        return (
            f"{said} Do not bottle: it may begin yet. {_warmed(e)}, see in the journal whether it was fed,"
            " pitch fresh yeast, well started, if it stands after two days more, and sample again."
        )
    if end is HandEnd.CREEPING:
        fell = f"{points(e.by_hand_crept_points)} in {span(e.by_hand_crept_hours)}"
        return (
            f"it fell {fell} and still falls, too slowly to show between two samples: that is no end. Do not"
            " bottle: sample again in a week, and compare over that week."
        )
    if end is HandEnd.STALLED:
        gap = points(e.by_hand_points - e.by_hand_expected_points)
        cause, advice = _cause_by_hand(e)
        return (
            f"{_equal(e)}: it stands still, {gap} above where such a must usually ends{cause}. It is likelier"
            f" stalled than finished: do not bottle, it may go on. {advice}, and sample again in two to three"
            " days."
        )
    return (
        f"{_equal(e)}: whether that is its end or a stall cannot be told by this alone, for {_untold(e)}."
        " Do not bottle on it: half a litre put aside in the warm with fresh yeast, under an airlock, must"
        " not fall."
    )


def _untold(e: Evidence) -> str:
    """Why it is not known where such a must ends."""
    if math.isnan(e.by_hand_original_points):
        return "the sheet does not say what its gravity was at pitching"
    if math.isnan(e.by_hand_expected_points):
        return "by how much sugar raised its gravity on the way is not known"
    gap = points(e.by_hand_points - e.by_hand_expected_points)
    return f"it stands {gap} above where most such musts end, and its sheet says too little to rule that out"


def _warmed(e: Evidence) -> str:
    """Where its warmth should be, the beginning of a sentence."""
    if math.isnan(e.temperature_c):
        return "See that it is as warm as its yeast wants it"
    if e.above_c > 0.0:
        return "Cool it into the yeast's range"
    return "Warm it slowly into the yeast's range" if e.below_c > 0.0 else "Keep it as warm as it is now"


def _cause_by_hand(e: Evidence) -> tuple[str, str]:
    """Why it stands, after a semicolon, as far as that is known, and the beginning of what to do about it."""
    if not math.isnan(e.temperature_c) or e.alcohol_room_abv < AT_LIMIT_ABV:
        cause, advice = _cause(e)
        return cause, f"See in the journal whether it was fed, {advice}"
    return "", "Warm it slowly into the yeast's range, see in the journal whether it was fed, rouse it gently"


def _cause(e: Evidence) -> tuple[str, str]:
    """Why it stands, after a semicolon, and what to do about it."""
    rouse = "rouse it gently"
    if e.cold_hours >= 6.0:
        cause = f"; under the yeast's range for {e.cold_hours:.0f} h of the last 72: likely stalled by cold"
        warm = (
            "warm it slowly into the yeast's range and"
            if e.below_c > 0.0
            else "keep it as warm as it is now and"
        )
        return cause, f"{warm} {rouse}"
    if e.temperature_drop_c >= 3.0:
        cause = f"; {e.temperature_drop_c:.1f} degC colder than at its warmest: likely stalled by cold"
        return cause, f"warm it slowly to what it was and {rouse}"
    if e.above_c > 0.0:
        return (
            "; above the yeast's range: likely stopped by heat",
            f"cool it into the yeast's range and {rouse}",
        )
    if e.alcohol_room_abv < AT_LIMIT_ABV:
        cause = "; the alcohol is about what the yeast is said to bear: likely stopped by it"
        return cause, "pitch a yeast that bears more, or stabilise it and take it as it is"
    cause = "; the temperature was not the cause: think of nutrients, alcohol or tired yeast"
    return cause, f"{rouse}, and pitch fresh yeast, well started, if it stands after three days more"


def reason(phase: Phase, e: Evidence, *, risen: bool = False) -> str:
    """One sentence that says why a ferment is in this phase; another where it has risen since its end."""
    why = f"{_why(phase, e)} {contradiction(e)}".rstrip()
    if not risen:
        return why
    return (
        f"{why} The gravity rose {span(e.rise_hours)} ago and the journal does not say why: if it was"
        " sweetened, write that down."
    )


def looked_at_no_more(days: int) -> str:
    """The sentence that stands where the reason stood, once a batch has become too old to be judged."""
    return (
        f"It was judged for {days} days from pitching and is not any more: nothing would be told if it"
        " fermented again. Where it is still open, end it, and begin anew what is to be watched on."
    )


def _why(phase: Phase, e: Evidence) -> str:
    if phase is Phase.UNKNOWN:
        return "too little was heard of the float to tell." if math.isnan(e.by_hand_points) else _by_hand(e)
    if phase is Phase.LAG:
        level = gravity(e.level_points)
        if e.level_points - e.expected_points < STALL_POINTS:
            return f"stands at {level}{_gap(e)}; too little was heard of the float to tell how it came there."
        return f"stands at {level} and has not fallen 3 points yet, {span(e.hours_in)} after pitching."
    if phase is Phase.ACTIVE:
        return f"{_fall(e, 'to')}{_gap(e)}."
    if phase is Phase.SLOWING:
        return f"{_fall(e)}{_fastest(e)}{_left(e)}."
    if phase is Phase.FINISHED and not math.isnan(e.watch_hours):
        # it is to stay as it was made, sweet perhaps: nothing is to fall, and no must ends so
        return f"{_rest(e, 'and stands at')}."
    if phase is Phase.FINISHED:
        return f"{_rest(e, 'and stands at')}{_gap(e)}{_left(e)}."
    if phase is Phase.STALLED:
        return f"{_rest(e)}{_gap(e)}{_cause(e)[0]}."
    if falls_by_hand(e):
        return f"hand samples tell that it {_lost(e)}."
    return f"{_fall(e, 'to')} though it had ended or was meant to rest."


def finished(e: Evidence, *, rests: bool) -> str:
    """The message of a finished ferment, with what to do next, unless the maker did it: then it `rests`."""
    if rests:
        return f"Finished: {reason(Phase.FINISHED, e)} You took it from here, so nothing more is asked."
    if contradiction(e):
        return f"Finished: {reason(Phase.FINISHED, e)} Do not bottle before."
    return (
        f"Finished: {reason(Phase.FINISHED, e)} Confirm with a hand sample now and another two to three days"
        " later; when both read the same, stabilise, and sweeten only after that. Do not bottle before."
    )


def stalled(e: Evidence) -> str:
    """The message of a stalled ferment."""
    what = "Not begun" if e.fallen_points < 3.0 else "Stalled"
    if contradiction(e):
        return f"{what}: {reason(Phase.STALLED, e)} Do not bottle: it may go on."
    advice = f"Confirm with a hand sample, {_cause(e)[1]}"
    return f"{what}: {reason(Phase.STALLED, e)} {advice}; do not bottle: it may go on."


def refermenting(e: Evidence, fell_points: float, since_hours: float) -> str:
    """The message of a batch that goes again."""
    level = gravity(e.level_points)
    return (
        f"Fermenting again: has fallen {points(fell_points)} in {span(since_hours)} to {level}.{_CLOSED}"
        " Confirm with a hand sample before anything else."
    )


def refermenting_by_hand(e: Evidence) -> str:
    """The message of a batch that goes again by hand samples, where no float is heard."""
    fell = f"{points(e.by_hand_lost_points)} in {span(e.by_hand_lost_hours)} to {gravity(e.by_hand_points)}"
    return (
        f"Fermenting again: has fallen {fell} by hand samples.{_CLOSED}{_unmixed(e)} Confirm with another"
        " hand sample before anything else."
    )


def _limit(celsius: float) -> str:
    """A limit as it was given: with the digits that degF need to come out whole again, and no more."""
    return f"{round(celsius, 2):g}"


def temperature(kind: AlertKind, e: Evidence, limit_c: float, *, rests: bool = False) -> str:
    """The message of a temperature outside the yeast's range; `rests` where the ferment seems to be over."""
    if kind is AlertKind.TEMPERATURE_LOW:
        side, advice = "cold", "Warm it slowly: it may stall"
        if rests:
            advice = "If the ferment is over, cold does no harm; if it is not, warm it slowly"
    else:
        side, advice = "warm", "Cool it: off-flavours come of heat"
    return f"Too {side}: {e.temperature_c:.1f} degC; the yeast's limit is {_limit(limit_c)} degC. {advice}."


def temperature_over(e: Evidence, limits_c: tuple[float, float], *, rests: bool) -> str:
    """What is said where a temperature alert ends: where it is now, which need not be in the range."""
    low_c, high_c = limits_c
    if math.isnan(e.temperature_c):
        return "What its temperature is now is not known."
    side = "below" if e.below_c > 0.0 else "above" if e.above_c > 0.0 else "within"
    harmless = "; cold does no harm once the ferment is over" if rests and side == "below" else ""
    span_c = f"{_limit(low_c)} degC to {_limit(high_c)} degC"
    return f"Now {e.temperature_c:.1f} degC, {side} the yeast's {span_c}{harmless}."


def silent(sensor: str, hours: float, interval_hours: float) -> str:
    """The message of a sensor that is not heard any more."""
    usual = "" if math.isnan(interval_hours) else f"; it used to send every {interval_hours * 60.0:.0f} min"
    return (
        f"{sensor} has not been heard for {span(hours)}{usual}. Nothing is judged finished or"
        " stalled meanwhile: look at its battery and its radio link."
    )


def nutrient(hours: float) -> str:
    """The message of nutrient that is due."""
    return (
        f"Nutrient is due: {span(hours)} since pitching and none is in the journal. Wait until the yeast is"
        " seen at work, give no more than the packet allows, and enter it."
    )


def infusion(days: float) -> str:
    """The message of an infusion that should be tasted, or taken out."""
    low, high = INFUSION_USUAL_DAYS
    if days >= INFUSION_LONGEST_DAYS:
        return f"Take the infusion out now: in for {days:.0f} days, and longer draws bitterness. Enter that."
    if days >= high:
        return (
            f"The infusion's usual time is over: in for {days:.0f} days. Taste it, and take it out or decide"
            f" how much longer, {INFUSION_LONGEST_DAYS:g} days at the most; enter it when it is out."
        )
    return (
        f"Taste the infusion: in for {days:.1f} days, usual are {low:g} to {high:g}. Taste it every other"
        " day, take it out when it is right, and enter that."
    )
