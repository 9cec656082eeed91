"""A sweep against replaying, on simulated recordings, as a Markdown table.

    python tests/bench/bench_tune.py --n 200 --sets 10000 --dir sweep --seed 20000

Recordings are simulated into DIR and measured once (DIR/evidence); a second run finds them. The sweep is
timed with all evidence on the shelf. Replaying is timed on a sample of recordings and settings in the same
run, and what the sweep says of them is compared with what the replay says. `--long ROWS` adds a recording of
so many rows.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.ferment.pipeline import Analysis, Pipeline
from monitor.ferment.score import told_by
from monitor.replay.player import play
from monitor.replay.recording import read, write
from monitor.replay.simulate import simulate
from monitor.tune.choice import Taste, choose, held_apart, leave_one_out
from monitor.tune.cores import Hands, hands
from monitor.tune.fold import FOLDED, Asked, fold
from monitor.tune.ladders import Design, ladders, random
from monitor.tune.reckoning import Prices
from monitor.tune.sets import changed
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, record_of, seen_of, swept, taken_in
from monitor.units import MS_PER_HOUR, rfc3339_from_ms

CAREFUL = {"finished_doubt": 0.05, "finished_dwell": 24.0, "stalled_dwell": 24.0}
"""A maker whose thresholds are set far too carefully: there is something to gain."""


def simulated(folder: Path, scenario: str, count: int, seed: int) -> list[Path]:
    """Recordings in a folder, made where they are not there yet."""
    found = []
    for each in range(seed, seed + count):
        path = folder / f"{scenario}-{each}"
        found.append(path)
        if (path / "batch.toml").is_file():
            continue
        recording = simulate(scenario, each).recording
        with recording.lines() as lines:
            write(
                path, title=recording.title, premise=recording.premise, journal=recording.journal,
                truth=recording.truth, lines=lines,
            )  # fmt: skip
    return found


def long_one(folder: Path, rows: int) -> Path:
    """A recording of so many rows over three weeks: a float that sends all the time."""
    path = folder / f"long-{rows}"
    if (path / "batch.toml").is_file():
        return path
    recording = simulate("session", 1).recording
    start_ms, noise = recording.premise.pitched_ms, np.random.default_rng(1)
    step_ms = 21 * 24 * MS_PER_HOUR // rows

    def lines() -> list[str]:
        made = ["time,sensor,quantity,value,unit\n"]
        for row, error in enumerate(noise.normal(0.0, 0.5, rows).tolist()):
            hours = row * step_ms / MS_PER_HOUR
            points = 50.0 * float(np.exp(-max(hours - 18.0, 0.0) / 45.0)) + error
            made.append(
                f"{rfc3339_from_ms(start_ms + row * step_ms)},f,gravity,{1.0 + points / 1e3:.5f},sg\n"
            )
        return made

    premise = replace(recording.premise, gravity_sensor="f", temperature_sensor=None)
    write(path, title="long", premise=premise, journal=(), truth=recording.truth, lines=lines())
    return path


def taken(folders: list[Path], shelf: Shelf, many: Hands) -> tuple[list[Record], float, int]:
    """The records of folders, how long it took, and how many were measured."""
    began = time.perf_counter()
    fresh, records = 0, []
    for one in taken_in(folders, shelf, Analysis().fit, many):
        fresh += one.fresh
        record = record_of(one)
        if record is not None:
            records.append(record)
        else:
            print(f"{one.name}: {one.refusal}")
    return records, time.perf_counter() - began, fresh


def replaying(folder: Path, records: list[Record], design: Design, shelf: Shelf, sample: int) -> float:
    """Seconds that one recording takes to replay with one setting; fails where the sweep says otherwise."""
    rng = np.random.default_rng(0)
    spent = 0.0
    for _ in range(sample):
        record = records[int(rng.integers(len(records)))]
        place = int(rng.integers(len(design.rungs)))
        began = time.perf_counter()
        recording = read(folder / record.name, with_truth=False)
        told = told_by(play(recording, Pipeline(recording.premise, design.sets[place])))
        spent += time.perf_counter() - began
        firing = {kind: spells for kind, spells in told.firing.items() if kind in FOLDED}
        folded = fold(seen_of(record, shelf), Asked.of(replace(design, rungs=design.rungs[[place]]).sets))
        assert folded.of(0) == firing, f"{record.name}: the sweep and the replay disagree"
    return spent / sample


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=200)
    parser.add_argument("--sets", type=int, default=10_000)
    parser.add_argument("--dir", type=Path, required=True)
    parser.add_argument("--scenario", default="all")
    parser.add_argument("--seed", type=int, default=20_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--sample", type=int, default=10)
    parser.add_argument("--long", type=int, default=0, metavar="ROWS")
    given = parser.parse_args()
    shelf = Shelf(given.dir / "evidence")
    folders = simulated(given.dir, given.scenario, given.n, given.seed)
    print("| what | figure |\n| --- | --- |")
    with hands(given.workers, None, len(folders)) as many:
        if given.long:
            _, seconds, fresh = taken([long_one(given.dir, given.long)], shelf, many)
            what = "measured" if fresh else "found"
            print(f"| a recording of {given.long:,} rows, {what} | {seconds:.1f} s |")
        records, seconds, fresh = taken(folders, shelf, many)
        print(f"| {fresh} of {len(folders)} recordings measured | {seconds:.1f} s |")
        if fresh:
            records, seconds, fresh = taken(folders, shelf, many)
        print(f"| all {len(folders)} found on the shelf | {seconds:.2f} s |")
        for name, present in (("as shipped", Analysis()), ("too careful", changed(Analysis(), CAREFUL))):
            design = random(present, ladders(present), given.sets, 0)
            began, busy = time.perf_counter(), time.process_time()
            board = swept(records, shelf, design.sets, Prices(), many)
            seconds, busy = time.perf_counter() - began, time.process_time() - busy
            count = f"{len(design.rungs):,} settings on {len(records)} recordings"
            print(f"| {name}: {count}, {given.workers} cores | {seconds:.1f} s |")
            if given.workers == 1:  # what other programs took of the core is not in it
                print(f"| the same, time of the processor | {busy:.1f} s |")
            if present == Analysis():
                once = replaying(given.dir, records, design, shelf, given.sample)
                whole = once * len(records) * len(design.rungs) / given.workers
                print(f"| replaying one recording with one setting (mean of {given.sample}) | {once:.2f} s |")
                print(f"| replaying all, on as many cores | {whole:,.0f} s, {whole / seconds:,.0f} times |")
            taste = Taste(design.steps)
            left_out, apart = leave_one_out(board, taste), held_apart(board, taste, 10, 0)
            told = choose(board, taste, left_out, apart)
            print(f"| {name}: held-apart halves that are better off | {apart.better} of 10 |")
            print(f"| {name}: gain on them, h a ferment | {apart.mean_h:+.1f} |")
            print(f"| {name} | {told.reason} |")


if __name__ == "__main__":
    main()
