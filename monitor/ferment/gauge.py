"""Measures evidence: holds the readings and the journal of one batch, and fits when it is time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from monitor.ferment import (
    addition,
    history,
    lookback,
    network,
    noise,
    offset,
    outlook,
    precedent,
    shape,
    tail,
    terminal,
    warmth,
    watch,
    window,
)
from monitor.ferment.deeds import RESTS, SUGAR
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.evidence import NAN, Evidence, FitSettings
from monitor.ferment.hearing import Hearing
from monitor.ferment.left import Left
from monitor.ferment.premise import Premise
from monitor.ferment.series import Floats, Track
from monitor.ferment.skew import dated
from monitor.must.alcohol import simple_abv
from monitor.units import MS_PER_HOUR, POINTS_PER_SG, Quantity

MAX_TRACKS: Final = 16
MAX_SAMPLES: Final = 64
MAX_ENTRIES: Final = 256
MIXING_HOURS: Final = 6
"""How long a batch takes to become one liquid after sugar went in or it was racked (common practice)."""
MOST_LAG_HOURS: Final = 24
"""A clock that is set to another zone is behind by at most so much; what comes older than that is old."""
OPENING_HOURS: Final = 8.0
"""Readings this soon after pitching are of the must that the maker sampled."""
AWAY_HOURS: Final = 12
"""A sensor that was not heard for longer, and is, is heard again."""
SPANS_HOURS: Final = (24.0, 48.0, 96.0, 168.0)
"""The last hours that slopes are measured over."""


@dataclass(frozen=True, slots=True)
class _Ahead:
    """What was last seen of the time to come."""

    end: int
    """The hour it was looked at."""
    basis: tuple[int, int, bool]
    """What it rested on: a change of these makes it worthless."""
    left: Left
    view: outlook.Outlook


@dataclass(frozen=True, slots=True)
class _Hourly:
    """The course by the hour, up to `end`, and the float's temperature coefficient with its sd."""

    points: Floats
    counts: Floats
    celsius: Floats
    pace: Floats
    end: int
    coefficient: tuple[float, float]


def _clock_lag_hours(track: Track) -> int:
    lag_hours = track.lag_ms // MS_PER_HOUR
    return lag_hours if lag_hours <= MOST_LAG_HOURS else 0


class Gauge:
    """Readings and journal of one batch, and what they say at a moment."""

    def __init__(self, premise: Premise, settings: FitSettings) -> None:
        self.premise = premise
        self.settings = settings
        self._tracks: dict[tuple[str, Quantity], Track] = {}
        self._samples: list[tuple[int, float]] = []
        self._sugar_hours: list[int] = []
        self._watch_hour: int | None = None
        self._gravity_sensor = premise.gravity_sensor
        self._temperature_sensor = premise.temperature_sensor
        self._pitched_hour = premise.pitched_ms // MS_PER_HOUR
        self._noise = noise.Noise()
        self._finals: dict[tuple[float, int], terminal.Expected] = {}
        self._noise_hour: int | None = None
        self._ahead: _Ahead | None = None
        self._rests: dict[str, tuple[int, int, watch.Fall]] = {}
        """Of each rest where it began, up to which hour it was looked at, and what had fallen."""

    def admit(self, reading: Reading) -> bool:
        """Take a reading in; True where it is news for the analysis."""
        reading, _ = dated(reading)
        if reading.quantity is Quantity.SAMPLE_GRAVITY:
            return self._admit_sample(reading)
        if reading.quantity not in (Quantity.GRAVITY, Quantity.TEMPERATURE):
            return False
        key = (reading.sensor, reading.quantity)
        track = self._tracks.get(key)
        if track is None:
            if len(self._tracks) >= MAX_TRACKS:
                return False
            track = self._tracks[key] = Track(self.premise.pitched_ms)
        admitted = track.admit(reading)
        if admitted and reading.quantity is Quantity.GRAVITY and self._gravity_sensor is None:
            self._gravity_sensor = reading.sensor
        if admitted and reading.quantity is Quantity.TEMPERATURE and self._temperature_sensor is None:
            self._temperature_sensor = reading.sensor
        return admitted

    def is_heard_again(self, reading: Reading) -> bool:
        """Whether this reading, which was not admitted yet, ends a long silence of a believed sensor."""
        believed = {
            Quantity.GRAVITY: self._gravity_sensor,
            Quantity.TEMPERATURE: self._temperature_sensor,
        }
        if reading.quantity not in believed or believed[reading.quantity] not in (None, reading.sensor):
            return False
        track = self._tracks.get((reading.sensor, reading.quantity))
        heard_ms = None if track is None else track.last_received_ms
        pitched_ms = self.premise.pitched_ms
        since_ms = pitched_ms if heard_ms is None else max(heard_ms, pitched_ms)
        return reading.received_ms - since_ms > AWAY_HOURS * MS_PER_HOUR

    def _admit_sample(self, reading: Reading) -> bool:
        hour = reading.time_ms // MS_PER_HOUR - self._pitched_hour
        sample = (hour, (reading.value - 1.0) * POINTS_PER_SG)
        if not math.isfinite(reading.value) or hour < 0 or sample in self._samples:
            return False
        self._samples = sorted([*self._samples, sample])[-MAX_SAMPLES:]
        return True

    def note(self, entry: JournalEntry) -> None:
        """Take a journal entry in."""
        hour = entry.done_ms // MS_PER_HOUR - self._pitched_hour
        if entry.kind in SUGAR:
            self._sugar_hours = sorted([*self._sugar_hours, hour])[-MAX_ENTRIES:]
        if entry.kind in RESTS:
            self._watch_hour = hour if self._watch_hour is None else max(self._watch_hour, hour)

    def gravity_track(self) -> Track | None:
        """The believed float's readings."""
        return self._track(self._gravity_sensor, Quantity.GRAVITY)

    def temperature_track(self) -> Track | None:
        """The believed thermometer's readings."""
        return self._track(self._temperature_sensor, Quantity.TEMPERATURE)

    def _track(self, sensor: str | None, quantity: Quantity) -> Track | None:
        return None if sensor is None else self._tracks.get((sensor, quantity))

    def believed(self) -> list[tuple[str, Track | None]]:
        """Name and track of each believed sensor, gravity first; None where it was never heard."""
        found: list[tuple[str, Track | None]] = []
        if self._gravity_sensor is not None:
            found.append((self._gravity_sensor, self.gravity_track()))
        if self._temperature_sensor is not None and self._temperature_sensor != self._gravity_sensor:
            found.append((self._temperature_sensor, self.temperature_track()))
        return found

    def hearing(self, at_ms: int) -> list[Hearing]:
        """How long each believed sensor has been silent; what it said before pitching was of another must."""
        found = []
        pitched_ms = self.premise.pitched_ms
        for sensor, track in self.believed():
            heard_ms = None if track is None else track.last_received_ms
            interval = math.nan if track is None else track.interval_hours
            silent = (at_ms - max(pitched_ms if heard_ms is None else heard_ms, pitched_ms)) / MS_PER_HOUR
            found.append(Hearing(sensor, silent, interval))
        return found

    def measure(self, at_ms: int) -> Evidence:
        """All that is known at a moment; readings that came later must not have been admitted yet."""
        end = -(-at_ms // MS_PER_HOUR) - self._pitched_hour
        hours_in = (at_ms - self.premise.pitched_ms) / MS_PER_HOUR
        celsius = self._temperature(end)
        felt = warmth.read(celsius, self.premise.yeast.temperature_c)
        track = self.gravity_track()
        bare = Evidence(
            at_ms=at_ms,
            hours_in=hours_in,
            temperature_c=felt.now_c,
            temperature_drop_c=felt.drop_c,
            cold_hours=felt.cold_hours,
            below_c=felt.below_c,
            above_c=felt.above_c,
            added_points=NAN if self._sugar_hours else 0.0,
        )
        if track is None or track.is_empty or end <= 0:
            return bare
        track.settle()
        medians, counts = track.hourly(0, end)
        points = (medians - 1.0) * POINTS_PER_SG
        return self._judge(bare, track, points, counts, celsius, end)

    def _temperature(self, end: int) -> Floats:
        track = self.temperature_track()
        if track is None or end <= 0:
            return np.full(max(end, 0), np.nan)
        track.settle()
        return track.hourly(0, end)[0]

    def _judge(
        self, bare: Evidence, track: Track, points: Floats, counts: Floats, celsius: Floats, end: int
    ) -> Evidence:
        known = np.flatnonzero(counts)
        if not known.size:
            return bare
        off = offset.from_samples(self._samples, points, end)
        points = points + off.points
        celsius = warmth.filled(celsius)
        pace = warmth.scaled_hours(celsius)
        epoch = min(
            max((h + MIXING_HOURS for h in self._sugar_hours if h + MIXING_HOURS < end), default=0), end
        )
        course = history.review(points[epoch:], pace[epoch:])
        opening = course if epoch == 0 else history.review(points[:epoch], pace[:epoch])
        added = addition.added(points, [hour for hour in self._sugar_hours if 0 <= hour < end])
        expected, apart, apart_sd = self._expected(
            opening.start_points, opening.first_hour, added.points, off
        )
        self._learn_noise(track, end)
        rose_hour = max(added.unwritten_hours, default=None)
        whole_hour = epoch if rose_hour is None else max(epoch, rose_hour + MIXING_HOURS)
        begin = self._window_begin(course, epoch, whole_hour, end)
        recent = self._window(points, counts, celsius, pace, begin, end)
        typical = min(max(0.5 * course.active_scaled_hours, 8.0), 120.0)
        if math.isnan(typical):
            typical = 40.0
        self._learn_wander(recent, expected, typical, end)
        left, extra = tail.measure(recent, self._noise, expected, typical)
        coefficient = (left.coefficient, left.coefficient_sd)
        day, two, four, seven = window.lines(recent, self._noise, extra, SPANS_HOURS, coefficient)
        fell = course.start_points - left.level_points
        likeness = precedent.Likeness(fell, end - epoch, bare.temperature_drop_c)
        resting = _Hourly(points, counts, celsius, pace, end, coefficient)
        watch_hours, fallen_since = self._rested("written", self._watch_hour, resting)
        rise_hours, fallen_after = self._rested("unwritten", rose_hour, resting)
        tolerance = self.premise.yeast.alcohol_tolerance_abv
        whole = opening.start_points + added.points
        made = simple_abv(1.0 + whole / POINTS_PER_SG, 1.0 + left.level_points / POINTS_PER_SG)
        seen = replace(
            bare,
            readings=float(np.count_nonzero(counts[-48:])),
            silent_hours=NAN
            if track.last_received_ms is None
            else (bare.at_ms - track.last_received_ms) / MS_PER_HOUR,
            data_age_hours=float(max(end - 1 - known[-1] - _clock_lag_hours(track), 0)),
            epoch_hours=float(end - epoch),
            start_points=course.start_points,
            level_points=left.level_points,
            level_se=left.level_se,
            fallen_points=fell,
            slope_day=day.slope_per_day,
            slope_day_se=day.slope_se,
            slope_two=two.slope_per_day,
            slope_two_se=two.slope_se,
            slope_four=four.slope_per_day,
            slope_four_se=four.slope_se,
            slope_seven=seven.slope_per_day,
            slope_seven_se=seven.slope_se,
            peak_per_day=course.peak_per_day,
            slowed_hours=end - epoch - course.slowed_hour,
            expected_points=expected[0],
            expected_sd=expected[1],
            added_points=added.points if added.all_read else NAN,
            apart_points=apart,
            apart_sd=apart_sd,
            alcohol_room_abv=NAN if tolerance is None else tolerance - made,
            watch_hours=watch_hours,
            watch_fall=fallen_since.points,
            watch_fall_se=fallen_since.se,
            rise_hours=rise_hours,
            rise_fall=fallen_after.points,
            rise_fall_se=fallen_after.se,
            white_points=self._noise.white_points,
            wander_points=self._noise.wander_points,
            offset_points=off.points,
            offset_sd=off.sd,
        )
        precedented = fell >= history.BEGUN_POINTS and not two.slope_per_day < -precedent.FALLING_FAST
        # looked ahead again at once when sugar or a hand sample came, or when precedents begin to count
        basis = (epoch, off.samples, precedented)
        ahead = self._ahead
        if ahead is None or ahead.basis != basis or end - ahead.end >= self.settings.look_up_hours:
            kind = self.premise.must.kind
            beside = lookback.Known(self._noise.white_points, *expected, seen.alcohol_room_abv, epoch, kind)
            said = network.asked(points[epoch:], celsius[epoch:], beside)
            rest = Left()
            if precedented:
                rest = precedent.look_up(
                    recent, self._noise, extra, expected, likeness, beside=partial(network.pooled, said=said)
                )
            if math.isnan(rest.p50):
                rest = tail.remaining(left)
            traits = shape.traits(points[epoch:], celsius[epoch:], kind, seen)
            ahead = self._ahead = _Ahead(end, basis, rest, self._foresee(seen, rest, traits, said))
        view = ahead.view.after(end - ahead.end)
        return replace(
            seen,
            left_p05=ahead.left.p05,
            left_p50=ahead.left.p50,
            left_p95=ahead.left.p95,
            unfinished=ahead.left.unfinished,
            final_p05=view.final_p05 - apart,
            final_p50=view.final_p50 - apart,
            final_p95=view.final_p95 - apart,
            end_hours_p05=view.hours_p05,
            end_hours_p50=view.hours_p50,
            end_hours_p95=view.hours_p95,
        )

    def _foresee(
        self, seen: Evidence, rest: Left, traits: Floats | None, said: network.Answers | None
    ) -> outlook.Outlook:
        """The view ahead; whoever collects traits to learn from takes them here."""
        return outlook.foresee(seen, rest, traits, said)

    def _expected(
        self, start_points: float, first_hour: float, added_points: float, off: offset.Offset
    ) -> tuple[tuple[float, float], float, float]:
        """Mean and sd of the final gravity as the corrected float reads it; how far it reads high, and sd."""
        given = self.premise.must.original_gravity_sg
        apart, apart_sd = 0.0, off.sd
        if given is not None:
            original = (given - 1.0) * POINTS_PER_SG
            if first_hour <= OPENING_HOURS and not off.samples:
                apart, apart_sd = offset.from_original(start_points, original)
        else:
            original = start_points
        known = round(original, 1), round(added_points)
        prior = self._finals.get(known)
        if prior is None:
            prior = terminal.expected_final(self.premise.must, *known)
            self._finals = {known: prior}
        return (prior.mean_points + apart, math.hypot(prior.sd_points, apart_sd)), apart, apart_sd

    def _noise_is_known(self, end: int) -> bool:
        return self._noise_hour is not None and end - self._noise_hour < self.settings.noise_hours

    def _learn_noise(self, track: Track, end: int) -> None:
        if self._noise_is_known(end):
            return
        values = np.array([value for _, value in track.raw(max(end - 72, 0), end, 300)])
        self._noise = noise.Noise(
            noise.white_sd(values),
            self._noise.wander_points,
            noise.rounding_step(values) if values.size else 0.0,
        )

    def _learn_wander(
        self, recent: window.Window, expected: tuple[float, float], typical: float, end: int
    ) -> None:
        if self._noise_is_known(end):
            return
        self._noise_hour = end
        size = tail.wander_size(recent, self._noise, expected, typical)
        self._noise = noise.Noise(self._noise.white_points, size, self._noise.step_points)

    def _window_begin(self, course: history.Course, epoch: int, whole_hour: int, end: int) -> int:
        """Hour from which the tail is judged: since `whole_hour` it is one liquid, with no sugar gone in."""
        begin = end - self.settings.window_hours
        if not math.isnan(course.slowed_hour):
            begin = max(begin, epoch + int(course.slowed_hour))
        return max(min(begin, end - self.settings.least_window_hours), whole_hour, 0)

    def _window(
        self, points: Floats, counts: Floats, celsius: Floats, pace: Floats, begin: int, end: int
    ) -> window.Window:
        begin = min(end - (end - begin) // window.BIN_HOURS * window.BIN_HOURS, end)
        part = slice(begin, end)
        return window.build(points[part], counts[part], celsius[part], pace[part], self._noise)

    def _rested(self, name: str, since_hour: int | None, seen: _Hourly) -> tuple[float, watch.Fall]:
        """Hours and fall since the batch was put to rest at an hour."""
        if since_hour is None:
            return NAN, watch.Fall()
        hours = float(seen.end - since_hour)
        first = max(since_hour + MIXING_HOURS, 0)
        last = first + (seen.end - first) // window.BIN_HOURS * window.BIN_HOURS
        begin = max(first, last - self.settings.window_hours)
        if last - begin < watch.LEAST_BINS * window.BIN_HOURS:
            return hours, watch.Fall()
        # anew with each whole bin only: bins cut elsewhere would give the same readings another fall
        kept = self._rests.get(name)
        if kept is None or kept[:2] != (first, last):
            part = self._window(seen.points, seen.counts, seen.celsius, seen.pace, begin, last)
            fallen = watch.fall(part, self._noise, float(last - begin), seen.coefficient)
            kept = self._rests[name] = (first, last, fallen)
        return hours, kept[2]
