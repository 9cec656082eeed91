"""Verdicts beside the folk rule and a slope rule on the same simulated ferments, as a Markdown table.

    python tests/bench/bench_verdicts.py --n 200 --seed 5000

Seeds 0 to 1199 were looked at while the thresholds were chosen; report others.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from verdict_rules import day_rule, folk_rule, slope_rule

from monitor.ferment.pipeline import Pipeline
from monitor.ferment.score import Score, Told, score, told_by
from monitor.ferment.score_table import shown, table
from monitor.replay.player import play
from monitor.replay.simulate import Simulated, simulate


def carboyd(ferment: Simulated) -> Told:
    """What the pipeline tells."""
    recording = ferment.recording
    return told_by(play(recording, Pipeline(recording.premise)))


def noise_free(ferment: Simulated) -> Told:
    """What a rule on the noise-free slope of a day tells."""
    pitched_ms = ferment.recording.premise.pitched_ms
    return day_rule(ferment.hours, ferment.gravity_sg, ferment.attainable_sg, pitched_ms)


RULES: dict[str, Callable[[Simulated], Told]] = {
    "folk rule": lambda ferment: folk_rule(ferment.recording),
    "slope rule": lambda ferment: slope_rule(ferment.recording),
    "noise-free day rule": noise_free,
    "carboyd": carboyd,
}


def judged(seed: int, scenario: str, rules: tuple[str, ...]) -> dict[str, Score]:
    """The scores of every rule on one ferment."""
    ferment = simulate(scenario, seed)
    return {name: score(RULES[name](ferment), ferment.truth) for name in rules}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=200)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--scenario", default="all")
    parser.add_argument("--rules", nargs="*", default=list(RULES))
    asked = parser.parse_args()
    rules = tuple(asked.rules)
    began = time.perf_counter()
    with ProcessPoolExecutor(2) as pool:
        seeds = range(asked.seed, asked.seed + asked.n)
        scores = list(pool.map(partial(judged, scenario=asked.scenario, rules=rules), seeds, chunksize=4))
    columns = {name: shown(table([row[name] for row in scores])) for name in rules}
    print(
        f"{asked.n} ferments, scenario {asked.scenario}, seeds {asked.seed} to {asked.seed + asked.n - 1}\n"
    )
    print("| |", " | ".join(rules), "| aim | of |")
    print("| --- |" + " --- |" * (len(rules) + 2))
    for rows in zip(*columns.values(), strict=True):
        print("|", " | ".join([rows[0][0], *(row[1] for row in rows), rows[0][2], rows[-1][4]]), "|")
    print(f"\n{time.perf_counter() - began:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
