"""Verdicts beside the folk rule and a slope rule on the same simulated ferments, as a Markdown table.

    python tests/bench/bench_verdicts.py --n 200 --seed 5000
    python tests/bench/bench_verdicts.py --n 200 --seed 1000 --mechanism apart

Of the simulator's own ferments seeds 0 to 1199 were looked at while the thresholds were chosen: report
others. The mechanism `apart` is held out: no part of carboyd was made from it, and nothing may be.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))
from apart.ferments import ferment as apart_ferment
from verdict_rules import day_rule, folk_rule, slope_rule

from monitor.ferment.pipeline import Pipeline
from monitor.ferment.score import Score, Told, score, told_by
from monitor.ferment.score_table import shown, table
from monitor.replay.player import play
from monitor.replay.simulate import ALL, Simulated, simulate

OWN: Final = "own"
APART: Final = "apart"


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


def judged(
    seed: int, given: Callable[[int], Simulated | None], rules: tuple[str, ...]
) -> dict[str, Score] | None:
    """The scores of every rule on one ferment; None for a seed that gives none."""
    ferment = given(seed)
    if ferment is None:
        return None
    return {name: score(RULES[name](ferment), ferment.truth) for name in rules}


def gathered(
    judge: Callable[[Iterable[int]], Iterable[dict[str, Score] | None]], first_seed: int, wanted: int
) -> tuple[list[dict[str, Score]], int]:
    """The scores of so many ferments on seeds from the first on, and how many seeds that took."""
    scores: list[dict[str, Score]] = []
    tried = 0
    while len(scores) < wanted:
        seeds = range(first_seed + tried, first_seed + tried + wanted - len(scores))
        scores += [scored for scored in judge(seeds) if scored is not None]
        tried += len(seeds)
    return scores, tried


def asked_for(arguments: list[str] | None = None) -> argparse.Namespace:
    """What the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=200)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--mechanism", choices=(OWN, APART), default=OWN)
    parser.add_argument("--scenario", help=f"of the mechanism {OWN!r} only; {ALL!r} if none is named")
    parser.add_argument("--rules", nargs="*", default=list(RULES))
    asked = parser.parse_args(arguments)
    if asked.mechanism == APART and asked.scenario is not None:
        parser.error(f"--scenario is for --mechanism {OWN}: the ferments of {APART!r} have none")
    return asked


def main() -> None:
    """Print the table."""
    asked = asked_for()
    rules = tuple(asked.rules)
    scenario = ALL if asked.scenario is None else asked.scenario
    given = apart_ferment if asked.mechanism == APART else partial(simulate, scenario)
    began = time.perf_counter()
    with ProcessPoolExecutor(2) as pool:
        judge = partial(pool.map, partial(judged, given=given, rules=rules), chunksize=4)
        scores, tried = gathered(judge, asked.seed, asked.n)
    columns = {name: shown(table([row[name] for row in scores])) for name in rules}
    source = f"scenario {scenario}" if asked.mechanism == OWN else f"mechanism {APART}"
    none = f" (seeds without a ferment: {tried - len(scores)})" if tried > len(scores) else ""
    print(f"{len(scores)} ferments, {source}, seeds {asked.seed} to {asked.seed + tried - 1}{none}\n")
    print("| |", " | ".join(rules), "| aim | of |")
    print("| --- |" + " --- |" * (len(rules) + 2))
    for rows in zip(*columns.values(), strict=True):
        print("|", " | ".join([rows[0][0], *(row[1] for row in rows), rows[0][2], rows[-1][4]]), "|")
    print(f"\n{time.perf_counter() - began:.0f} s", file=sys.stderr)


if __name__ == "__main__":
    main()
