"""Small recordings with a truth, measured once for all tests of this folder."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import FitSettings
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.ferment.score import Spell, Truth
from monitor.replay.recording import write
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, record_of
from monitor.tune.taking import take
from monitor.tune.witness import MEASURED, Heard, Witnessed
from monitor.units import MS_PER_HOUR, rfc3339_from_ms

T0 = 1_767_463_200_000
ORIGINAL_SG = 1.040


@dataclass(frozen=True, slots=True)
class Plot:
    """How a made-up ferment goes: points over hours, and what was true."""

    name: str
    hours: int
    tau_h: float
    seed: int
    stops_at: float = 0.0
    """Points above its end at which it stops for good."""
    goes_again_h: float | None = None
    """When sugar that was put in begins to ferment."""
    silent_h: float | None = None
    cold_h: float | None = None

    def points(self, hour: float) -> float:
        """Gravity points: a lag of a day, then an exponential fall."""
        left = 40.0 * math.exp(-max(hour - 18.0, 0.0) / self.tau_h)
        level = max(left, self.stops_at)
        if self.goes_again_h is not None and hour > self.goes_again_h - 30.0:
            level += 12.0 * math.exp(-max(hour - self.goes_again_h, 0.0) / 40.0)
        return level

    def when(self, left: float) -> int:
        """When so much was left to fall."""
        return T0 + round((18.0 + self.tau_h * math.log(40.0 / left)) * MS_PER_HOUR)

    @property
    def truth(self) -> Truth:
        """What was true of it."""
        if self.stops_at > 0.0:
            spell = Spell(self.when(self.stops_at), T0 + self.hours * MS_PER_HOUR)
            return Truth(stalls=(spell,), silences=())
        again_ms = None if self.goes_again_h is None else T0 + round(self.goes_again_h * MS_PER_HOUR)
        marks = () if again_ms is None else ((again_ms, 0.25), (again_ms + 20 * MS_PER_HOUR, 4.0))
        return Truth(
            finished_ms=self.when(1.0),
            near_finish_ms=self.when(2.0),
            final_gravity_sg=1.0,
            sweetened_ms=None if again_ms is None else again_ms - 30 * MS_PER_HOUR,
            refermenting_ms=again_ms,
            lost_marks=marks,
            silent_ms=None if self.silent_h is None else T0 + round(self.silent_h * MS_PER_HOUR),
        )

    @property
    def journal(self) -> tuple[JournalEntry, ...]:
        """What its maker did."""
        fed = JournalEntry(JournalKind.NUTRIENT, T0 + 20 * MS_PER_HOUR, T0 + 20 * MS_PER_HOUR)
        if self.goes_again_h is None:
            return (fed,)
        at_ms = T0 + round((self.goes_again_h - 30.0) * MS_PER_HOUR)
        return (fed, JournalEntry(JournalKind.SWEETENED, at_ms, at_ms))

    @property
    def premise(self) -> Premise:
        """What its maker knew."""
        must = Must(MustKind.HONEY, ORIGINAL_SG, 20.0, (0.97, 1.03))
        return Premise(T0, must, Yeast((15.0, 25.0), 14.0), "float-a", "float-a")

    def lines(self) -> list[str]:
        """The rows, one an hour, with a float's noise."""
        noise = np.random.default_rng(self.seed)
        lines = ["time,sensor,quantity,value,unit\n"]
        until = self.hours if self.silent_h is None else int(self.silent_h)
        for hour in range(until):
            at = rfc3339_from_ms(T0 + hour * MS_PER_HOUR + 5 * 60_000)
            gravity = 1.0 + (self.points(hour) + 0.3 * noise.standard_normal()) / 1000.0
            celsius = 20.0 if self.cold_h is None or hour < self.cold_h else 13.5
            lines.append(f"{at},float-a,gravity,{gravity:.5f},sg\n")
            lines.append(f"{at},float-a,temperature,{celsius + 0.1 * noise.standard_normal():.2f},degC\n")
        if until < self.hours:
            at = rfc3339_from_ms(T0 + self.hours * MS_PER_HOUR)
            lines.append(f"{at},room,ambient_temperature,20.0,degC\n")
        return lines

    def write(self, folder: Path) -> Path:
        """Its recording."""
        write(
            folder / self.name, title=self.name, premise=self.premise, journal=self.journal,
            truth=self.truth, lines=self.lines(),
        )  # fmt: skip
        return folder / self.name


PLOTS = (
    Plot("brisk", 150, 16.0, 1),
    Plot("brisk-too", 140, 14.0, 2),
    Plot("steady", 180, 20.0, 3),
    Plot("steady-too", 170, 18.0, 4),
    Plot("stuck", 150, 18.0, 5, stops_at=14.0),
    Plot("again", 220, 13.0, 6, goes_again_h=150.0),
    Plot("gone-quiet", 120, 18.0, 7, silent_h=90.0),
    Plot("cold", 140, 15.0, 8, cold_h=90.0),
)


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of eight recordings."""
    folder = tmp_path_factory.mktemp("archive")
    for plot in PLOTS:
        plot.write(folder)
    return folder


@pytest.fixture(scope="session")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    """Where the evidence of all tests is kept."""
    return Shelf(tmp_path_factory.mktemp("shelf"))


@pytest.fixture(scope="session")
def records(archive: Path, shelf: Shelf) -> list[Record]:
    """The eight recordings, measured."""
    found = [record_of(take(archive / plot.name, shelf, FitSettings())) for plot in PLOTS]
    assert None not in found
    return [record for record in found if record is not None]


@pytest.fixture(scope="session")
def invent() -> Callable[[int, int], Witnessed]:
    """Evidence that never was, of so many moments from a seed: everything comes and goes."""

    def invented(seed: int, moments: int) -> Witnessed:
        rng = np.random.default_rng(seed)
        gaps = rng.choice([0, 7, 60, 60, 60, 60, 60, 180, 900], size=moments) * 60_000
        at_ms = T0 + np.cumsum(gaps)
        hours = (at_ms - T0) / MS_PER_HOUR

        def wander(start: float, step: float, low: float, high: float) -> np.ndarray:
            return np.clip(start + np.cumsum(rng.normal(0.0, step, moments)), low, high)

        def blocks(one: float, other: float) -> np.ndarray:
            flips = np.cumsum(rng.random(moments) < 0.1) % 2
            return np.where(flips == 1, one, other)

        falling = blocks(-1.2, -0.05)
        level = rng.uniform(0.0, 15.0) + np.cumsum(np.where(falling < -1.0, -0.5, 0.3))
        given = {
            "readings": blocks(48.0, 48.0 if rng.random() < 0.7 else 5.0),
            "data_age_hours": blocks(0.0, 0.0 if rng.random() < 0.7 else 9.0),
            "hours_in": hours,
            "epoch_hours": hours + rng.choice([0.0, 25.0, 100.0]),
            "start_points": np.full(moments, 40.0),
            "level_points": level,
            "level_se": np.full(moments, 0.2),
            "fallen_points": 40.0 - level,
            "slope_day": blocks(-0.1, -1.5),
            "slope_two": falling,
            "slope_four": blocks(-0.1, -1.0),
            "slope_seven": blocks(-0.1, -1.0),
            "slowed_hours": blocks(60.0, 4.0),
            "expected_points": np.full(moments, 0.0),
            "expected_sd": np.full(moments, rng.uniform(0.5, 2.0)),
            "left_p50": wander(0.5, 0.2, 0.01, 5.0),
            "left_p95": wander(1.5, 0.3, 0.05, 9.0),
            "unfinished": wander(0.12, 0.06, 0.0, 1.0),
            "temperature_drop_c": np.zeros(moments),
            "cold_hours": np.zeros(moments),
        }  # fmt: skip
        cold = wander(0.0, 0.8, -3.0, 3.0)  # to either side of a narrow range
        given |= {"below_c": cold - 0.7, "above_c": -cold - 0.7}
        given |= {name + "_se": np.full(moments, 0.2) for name in given if name.startswith("slope_")}
        if rng.random() < 0.5:
            rested = hours - hours[moments // 2 : moments // 2 + 1].sum()
            given["watch_hours"] = np.where(rested >= 0.0, rested, np.nan)
            given["watch_fall"] = wander(0.0, 0.6, -1.0, 6.0)
            given["watch_fall_se"] = np.full(moments, 0.1)
        if moments and rng.random() < 0.5:
            rose = hours - rng.choice(hours, 2)[:, None]
            given["rise_hours"] = np.where(rose[1] >= 0.0, rose[1], np.where(rose[0] >= 0.0, rose[0], np.nan))
            given["rise_fall"] = wander(0.0, 0.6, -1.0, 6.0)
            given["rise_fall_se"] = np.full(moments, 0.1)
        columns = np.full((len(MEASURED), moments), np.nan)
        for name, values in given.items():
            if name in MEASURED:
                columns[MEASURED.index(name)] = values
        silent = blocks(1.0, 20.0)
        heard = Heard(
            np.repeat(np.arange(moments), 2),
            np.tile([0, 1], moments),
            np.stack([silent, wander(5.0, 3.0, 0.0, 40.0)], axis=1).ravel(),
            np.stack([np.full(moments, 1.5), np.full(moments, np.nan)], axis=1).ravel(),
            ("float-a", "probe-1"),
        )
        journal = tuple(
            (int(moment), JournalEntry(kind, int(at_ms[moment]), int(at_ms[moment])))
            for moment, kind in sorted(
                (int(rng.integers(moments)), kind)
                for kind in (
                    JournalKind.SUGAR_ADDITION,
                    JournalKind.STABILISED,
                    JournalKind.PACKAGED,
                    JournalKind.NOTE,
                )
                if moments and rng.random() < 0.4
            )
        )
        premise = Premise(T0, yeast=Yeast((15.0, 25.0), 14.0))
        return Witnessed(premise, at_ms.astype(np.int64), columns, heard, journal)

    return invented
