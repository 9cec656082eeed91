"""Verdicts over time for one batch: which phase it is in, which alerts stand, what is forecast.

Reads scalars only: evidence, thresholds, and the few numbers it keeps of when something was told.
"""

from __future__ import annotations

import math
from typing import Final

from monitor.ferment import wording
from monitor.ferment.alert import AlertPolicy, Rule, Standing, transition
from monitor.ferment.deeds import INFUSION_LONGEST_DAYS, INFUSION_USUAL_DAYS, Deeds
from monitor.ferment.emission import (
    AlertChange,
    AlertKind,
    AlertState,
    Emission,
    Forecast,
    Interval,
    Phase,
    PhaseChange,
    Severity,
)
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import Evidence
from monitor.ferment.hearing import Hearing
from monitor.ferment.premise import MustKind, Premise
from monitor.ferment.verdict import Signs, Thresholds, decide, falls_by_hand
from monitor.ferment.warmth import KEPT_COLD_C
from monitor.units import MS_PER_DAY, MS_PER_HOUR, POINTS_PER_SG

FORECAST_HOURS: Final = 3
FINISH_MEMORY_HOURS: Final = 96.0
"""A fall that begins this long after the end was told is a new ferment, not a verdict too early."""
RESTART_PER_DAY: Final = 0.5
"""A slower fall after the end was told is a tail that creeps on, not a new ferment."""
SPED_UP_HOURS: Final = 6.0
"""A ferment that slowed is active again when it was near its fastest within so many hours."""
SEVERITY: Final = {
    AlertKind.FINISHED: Severity.ACT,
    AlertKind.STALLED: Severity.ACT,
    AlertKind.REFERMENTING: Severity.DANGER,
    AlertKind.TEMPERATURE_LOW: Severity.ACT,
    AlertKind.TEMPERATURE_HIGH: Severity.ACT,
    AlertKind.SENSOR_SILENT: Severity.ACT,
    AlertKind.NUTRIENT_DUE: Severity.NOTE,
    AlertKind.INFUSION_DUE: Severity.NOTE,
}


class Judge:
    """Keeps phase and alerts of one batch."""

    def __init__(self, premise: Premise, thresholds: Thresholds, policy: AlertPolicy) -> None:
        self.phase = Phase.UNKNOWN
        self.reason = wording.reason(Phase.UNKNOWN, Evidence(premise.pitched_ms))
        self._premise = premise
        self._thresholds = thresholds
        self._policy = policy
        self._standing: dict[tuple[AlertKind, str], Standing] = {}
        self._words: dict[tuple[AlertKind, str], str] = {}
        """What each alert that fires would be told with now."""
        self._candidate: tuple[Phase, int] | None = None
        self._begun = False
        self._told_level = math.nan
        self._ended_ms: int | None = None
        """When an end was told that has not been taken back as too early."""
        self._deeds = Deeds()
        self._packaged = False
        self._past_feeding = False
        self._infusion_dates = 0
        self._over = False
        """Whether an end had been told before this moment and stood, or a new ferment after it."""
        self._at_ms: int | None = None

    def note(self, entry: JournalEntry) -> None:
        """Take a journal entry in."""
        self._deeds.note(entry)
        self._packaged = self._deeds.did(JournalKind.PACKAGED)

    def words(self, kind: AlertKind, subject: str) -> str | None:
        """What an alert that fires says by the last look; None where none fires."""
        return self._words.get((kind, subject))

    def look(self, e: Evidence, heard: list[Hearing]) -> list[Emission]:
        """What is said at this moment."""
        now = decide(e, self._thresholds)
        if e.at_ms != self._at_ms:  # however often it is looked at in one moment
            ends = (AlertKind.FINISHED, AlertKind.REFERMENTING)
            self._over = any(self._fired(kind) is not None for kind in ends)
            self._at_ms = e.at_ms
        self._begun = self._begun or (now.begun and now.sound)
        said: list[Emission] = []
        for hearing in heard:
            said += self._silence(e, hearing)
        said += self._verdicts(e, now)
        said += self._temperatures(e)
        said += self._due(e)
        said += self._phase(e, now)
        said += self._forecast(e)
        return said

    def _apply(
        self,
        kind: AlertKind,
        rule: Rule,
        at_ms: int,
        message: str,
        over: str,
        subject: str = "",
        *,
        known: bool = True,
    ) -> list[Emission]:
        """Move one alert on by its rule; `over` is the message where it is resolved.

        The words of one that stands follow what is `known`, while nothing speaks for its end.
        """
        key = (kind, subject)
        before = self._standing.get(key, Standing())
        after = transition(before, rule, at_ms)
        self._standing[key] = after
        severity = SEVERITY[kind]
        if after.fired_ms is None:
            self._words.pop(key, None)
        elif before.fired_ms is None or (known and not rule.clears):
            self._words[key] = message
        if after.fired_ms is not None and before.fired_ms is None:
            return [AlertChange(at_ms, kind, AlertState.FIRING, after.fired_ms, severity, message, subject)]
        if after.fired_ms is None and before.fired_ms is not None:
            return [AlertChange(at_ms, kind, AlertState.RESOLVED, before.fired_ms, severity, over, subject)]
        return []

    def _fired(self, kind: AlertKind, subject: str = "") -> int | None:
        return self._standing.get((kind, subject), Standing()).fired_ms

    def _silence(self, e: Evidence, hearing: Hearing) -> list[Emission]:
        limit = self._policy.silent_hours
        if not math.isnan(hearing.interval_hours):
            limit = max(limit, self._policy.silent_intervals * hearing.interval_hours)
        silent = hearing.silent_hours > limit
        message = wording.silent(hearing.sensor, hearing.silent_hours, hearing.interval_hours)
        over = f"{hearing.sensor} is heard again."
        rule = Rule(silent and not self._packaged, not silent or self._packaged, 0.0, 0.0)
        return self._apply(AlertKind.SENSOR_SILENT, rule, e.at_ms, message, over, hearing.sensor)

    def _verdicts(self, e: Evidence, now: Signs) -> list[Emission]:
        th, policy = self._thresholds, self._policy
        finished_ms = self._fired(AlertKind.FINISHED)
        stalled_ms = self._fired(AlertKind.STALLED)
        fell = self._told_level - e.level_points
        restarted = now.sound and now.moving and fell > th.restart_points
        fed = self._deeds.did(JournalKind.SUGAR_ADDITION) and e.epoch_hours < th.least_hours
        watched = not math.isnan(e.watch_hours)
        late = finished_ms is not None and e.at_ms - finished_ms > FINISH_MEMORY_HOURS * MS_PER_HOUR
        brisk = restarted and fell > 1.5 * th.restart_points and e.slope_two < -RESTART_PER_DAY
        sweetened = self._risen_since_end(e)
        known = not math.isnan(e.level_points)
        by_hand = bool(now.lost_by_hand)
        resting = now.going_again or (sweetened and now.falls_again)
        again = resting or (finished_ms is not None and late and brisk and not fed)
        quiet = ((now.sound and not now.moving) or now.still_by_hand) and not resting
        since = e.watch_hours if watched else (e.at_ms - (finished_ms or e.at_ms)) / MS_PER_HOUR
        lost = e.watch_fall if watched and not math.isnan(e.watch_fall) else fell
        if sweetened and now.falls_again:
            since, lost = e.rise_hours, e.rise_fall
        rule = Rule(again, quiet or fed, policy.refermenting_dwell, 4.0 * policy.clear_dwell)
        message = wording.refermenting_by_hand(e) if by_hand else wording.refermenting(e, lost, since)
        # without a rest that is measured it is told from the finish, which stands no more
        measured = (watched and not math.isnan(e.watch_fall)) or (sweetened and now.falls_again)
        said = self._apply(
            AlertKind.REFERMENTING,
            rule,
            e.at_ms,
            message,
            "It rests again.",
            known=(known and measured) or by_hand,
        )
        going = self._fired(AlertKind.REFERMENTING) is not None
        rule = Rule(
            now.done and not going and not watched and not self._packaged and stalled_ms is None,
            restarted or fed or going,
            policy.finished_dwell,
            policy.clear_dwell,
        )
        message = wording.finished(e, rests=self._deeds.put_to_rest)
        said += self._apply(
            AlertKind.FINISHED, rule, e.at_ms, message, "It ferments on after all.", known=known
        )
        if finished_ms is None:
            self._ended_ms = self._fired(AlertKind.FINISHED) or self._ended_ms
        elif self._fired(AlertKind.FINISHED) is None and not going:
            self._ended_ms = None
        stuck = (now.stuck or now.never_began) and not watched and not self._packaged
        # it may creep to its end without ever moving so fast that it is seen to go again
        ended = now.surely_done and not stuck
        rule = Rule(
            stuck and finished_ms is None and not going,
            restarted or fed or going or watched or self._packaged or ended,
            policy.stalled_dwell,
            policy.clear_dwell,
        )
        over = "It rests where it may well end." if ended and not restarted else "It ferments again."
        said += self._apply(AlertKind.STALLED, rule, e.at_ms, wording.stalled(e), over, known=known)
        if any(isinstance(s, AlertChange) and s.state is AlertState.FIRING for s in said):
            self._told_level = e.level_points
        return said

    def _risen_since_end(self, e: Evidence) -> bool:
        """Whether the gravity rose after an end was told, and the journal does not say why."""
        return self._ended_ms is not None and e.at_ms - e.rise_hours * MS_PER_HOUR > self._ended_ms

    def _temperatures(self, e: Evidence) -> list[Emission]:
        limits = self._premise.yeast.temperature_c
        if limits is None:
            return []
        said: list[Emission] = []
        margin, dwell = self._policy.temperature_margin_c, self._policy.temperature_dwell
        over = self._over or self._deeds.put_to_rest
        # what is over may be kept in the cold; in a cool room the maker hears of it, for it may not be over
        needless = self._packaged or (over and e.temperature_c < KEPT_COLD_C)
        low, high = AlertKind.TEMPERATURE_LOW, AlertKind.TEMPERATURE_HIGH
        for kind, other, beyond, limit, moot in (
            (low, high, e.below_c, limits[0], needless),
            (high, low, e.above_c, limits[1], self._packaged),
        ):
            rule = Rule(beyond > margin and not moot, beyond < 0.0 or moot, dwell, 2.0 * dwell)
            now = wording.temperature_over(e, limits, rests=over)
            message = wording.temperature(kind, e, limit, rests=over)
            began = self._apply(kind, rule, e.at_ms, message, now, known=not math.isnan(e.temperature_c))
            if self._fired(kind) is not None and self._fired(other) is not None:
                said += self._apply(other, Rule(False, True, 0.0, 0.0), e.at_ms, "", now)
            said += began
        return said

    def _due(self, e: Evidence) -> list[Emission]:
        policy = self._policy
        whole = e.start_points - e.expected_points
        # the fall so far is a measured figure: what was too late once does not become due again by its noise
        self._past_feeding |= (
            e.fallen_points > policy.nutrient_latest_share * whole
            or self._fired(AlertKind.FINISHED) is not None
            or e.hours_in > 7.0 * policy.nutrient_hours
        )
        over = self._deeds.feeding_is_over or self._past_feeding
        wanted = self._premise.must.kind is not MustKind.MALT and not over
        rule = Rule(wanted and e.hours_in >= policy.nutrient_hours, not wanted, 0.0, 0.0)
        why = "Nutrient went in." if self._deeds.did(JournalKind.NUTRIENT) else "Too late for nutrient."
        said = self._apply(AlertKind.NUTRIENT_DUE, rule, e.at_ms, wording.nutrient(e.hours_in), why)
        return said + self._infusion(e)

    def _infusion(self, e: Evidence) -> list[Emission]:
        """Told anew at each of its dates: the first taste, the end of the usual time, and the latest."""
        infusion = self._deeds.infusion
        days = 0.0 if infusion is None else (e.at_ms - infusion.done_ms) / MS_PER_DAY
        dates = (self._policy.infusion_days, INFUSION_USUAL_DAYS[1], INFUSION_LONGEST_DAYS)
        passed = 0 if infusion is None else sum(days >= date for date in dates)
        said: list[Emission] = []
        if passed > self._infusion_dates > 0:
            over = "The next date of the infusion has come."
            said += self._apply(AlertKind.INFUSION_DUE, Rule(False, True, 0.0, 0.0), e.at_ms, "", over)
        self._infusion_dates = passed
        why = "No infusion is in any more." if infusion is None else "Another infusion went in."
        rule = Rule(passed > 0, passed == 0, 0.0, 0.0)
        return said + self._apply(AlertKind.INFUSION_DUE, rule, e.at_ms, wording.infusion(days), why)

    def _phase(self, e: Evidence, now: Signs) -> list[Emission]:
        told = None
        for kind, phase in (
            (AlertKind.REFERMENTING, Phase.REFERMENTING),
            (AlertKind.FINISHED, Phase.FINISHED),
            (AlertKind.STALLED, Phase.STALLED),
        ):
            if self._fired(kind) is not None:
                told = phase
                break
        if told is None:
            return self._quiet_phase(e, now)
        self._candidate = None
        return self._enter(told, e)

    def _quiet_phase(self, e: Evidence, now: Signs) -> list[Emission]:
        """The phase while nothing is told: it must hold for the dwell, and silence changes nothing."""
        if math.isnan(e.level_points) or not e.data_age_hours <= self._thresholds.stale_hours:
            if self.phase is Phase.REFERMENTING and now.still_by_hand:
                return self._enter(Phase.UNKNOWN, e)  # what it is now only a float could tell
            if self.phase is Phase.UNKNOWN:
                self.reason = self._why(Phase.UNKNOWN, e)  # hand samples alone say something too
            return []
        resting = not math.isnan(e.watch_hours)
        if not self._begun:
            phase = Phase.LAG
        elif self.phase in (Phase.UNKNOWN, Phase.LAG):
            phase = Phase.ACTIVE
        elif now.slowing or resting or (self.phase is Phase.SLOWING and e.slowed_hours > SPED_UP_HOURS):
            phase = Phase.SLOWING
        else:
            phase = Phase.ACTIVE
        if resting and self.phase is Phase.FINISHED:
            return []
        if self.phase is Phase.UNKNOWN or phase is self.phase:
            self._candidate = None
            return self._enter(phase, e)
        if self._candidate is None or self._candidate[0] is not phase:
            self._candidate = (phase, e.at_ms)
        if e.at_ms - self._candidate[1] < self._policy.phase_dwell * MS_PER_HOUR:
            return []
        self._candidate = None
        return self._enter(phase, e)

    def _enter(self, phase: Phase, e: Evidence) -> list[Emission]:
        if phase is self.phase:
            if not math.isnan(e.level_points) or (phase is Phase.REFERMENTING and falls_by_hand(e)):
                # a float gone silent leaves the last reason standing: it has nothing to say against it
                self.reason = self._why(phase, e)
            return []
        self.reason = self._why(phase, e)
        self.phase = phase
        return [PhaseChange(e.at_ms, phase, self.reason)]

    def _why(self, phase: Phase, e: Evidence) -> str:
        told = phase in (Phase.FINISHED, Phase.REFERMENTING)
        return wording.reason(phase, e, risen=told and self._risen_since_end(e))

    def _forecast(self, e: Evidence) -> list[Emission]:
        whole_hour = e.at_ms % (FORECAST_HOURS * MS_PER_HOUR) == 0
        if not whole_hour or not self._begun or self.phase in (Phase.FINISHED, Phase.REFERMENTING):
            return []
        return [Forecast(e.at_ms, _gravities(e), _times(e))]


def _gravities(e: Evidence) -> Interval:
    if math.isnan(e.final_p50):
        return Interval()
    return Interval(*(1.0 + p / POINTS_PER_SG for p in (e.final_p05, e.final_p50, e.final_p95)))


def _times(e: Evidence) -> Interval:
    if math.isnan(e.end_hours_p50):
        return Interval()
    hours = (e.end_hours_p05, e.end_hours_p50, e.end_hours_p95)
    return Interval(*(e.at_ms + h * MS_PER_HOUR for h in hours))
