"""Teaches the network that `monitor.ferment.network` reads, by the examples of `monitor.replay.endings`.

    pip install 'carboyd[learn]'
    python -m monitor.replay.learning monitor/ferment/network.npz

For each look it learns what is asked of it, whether more than `UNFINISHED_POINTS` are left and in how many
hours a point will be, and beside it whether more than some other points are left: these answers are thrown
away, but teach it what lies between.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Final

import numpy as np
import torch
from numpy.typing import NDArray

from monitor.ferment.foretelling import QUANTILES
from monitor.ferment.left import UNFINISHED_POINTS
from monitor.ferment.network import FURTHEST
from monitor.replay.endings import Examples, collect

LIMITS: Final = (UNFINISHED_POINTS, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0)
"""Points left that are asked about; only the answer to the first is kept."""
USUAL_LOG_HOURS: Final = 4.0
"""The answers about time are learnt as differences from this."""
WIDTH: Final = 448
NETWORKS: Final = 2
"""Taught from different beginnings, and averaged."""
ROUNDS: Final = 9
BATCH: Final = 1024
RATE: Final = 2e-3
DECAY: Final = 0.02
DROPPED: Final = 0.1
LEAST_SPREAD: Final = 0.02


def scaling(figures: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean and spread of each figure, by every eighth look: of millions these tell them well enough."""
    some = figures[::8].astype(np.float64)
    spread = some.std(axis=0) + LEAST_SPREAD
    return some.mean(axis=0).astype(np.float32), spread.astype(np.float32)


def taught(examples: Examples, seed: int, *, width: int = WIDTH, rounds: int = ROUNDS) -> torch.nn.Sequential:
    """A network taught by all examples, the same for the same seed."""
    torch.manual_seed(seed)
    mean, spread = scaling(examples.figures)
    weight = torch.tensor(examples.weight, dtype=torch.float32)
    more = torch.tensor(examples.left_points[:, None] > np.array(LIMITS), dtype=torch.float32)
    timed = ~np.isnan(examples.hours)
    log_hours = np.log(np.where(timed, examples.hours, 1.0)) - USUAL_LOG_HOURS
    hours = torch.tensor(log_hours, dtype=torch.float32)
    counts = torch.tensor(timed, dtype=torch.float32)
    quantiles = torch.tensor(QUANTILES)
    nn = torch.nn
    net = nn.Sequential(
        nn.Linear(mean.size, width),
        nn.SiLU(),
        nn.Dropout(DROPPED),
        nn.Linear(width, width),
        nn.SiLU(),
        nn.Dropout(DROPPED),
        nn.Linear(width, width),
        nn.SiLU(),
        nn.Linear(width, len(LIMITS) + len(QUANTILES)),
    )
    steps = rounds * -(-len(weight) // BATCH)
    optimizer = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimizer, RATE, total_steps=steps, pct_start=0.1)
    loss_of = nn.BCEWithLogitsLoss(reduction="none")
    shuffled = np.random.default_rng(seed)
    net.train()
    for _ in range(rounds):
        for rows in np.array_split(shuffled.permutation(len(weight)), steps // rounds):
            scaled = np.clip((examples.figures[rows] - mean) / spread, -FURTHEST, FURTHEST)
            said = net(torch.tensor(scaled))
            loss = loss_of(said[:, : len(LIMITS)], more[rows]).mean(dim=1)
            off = hours[rows, None] - said[:, len(LIMITS) :]
            # the loss whose least mean is at the quantile (Koenker and Bassett, Econometrica 1978)
            pinball = torch.maximum(quantiles * off, (quantiles - 1.0) * off).mean(dim=1)
            loss = (loss + counts[rows] * pinball) @ weight[rows] / len(rows)
            optimizer.zero_grad()
            loss.backward()
            optimizer.step()
            schedule.step()
    return net.eval()


def packed(examples: Examples, nets: list[torch.nn.Sequential]) -> dict[str, NDArray[Any]]:
    """The arrays that are kept: of the last layer only the answers that are asked for."""
    mean, spread = scaling(examples.figures)
    found: dict[str, NDArray[Any]] = {"mean": mean, "spread": spread}
    layers = [[layer for layer in net if isinstance(layer, torch.nn.Linear)] for net in nets]
    last = len(layers[0]) - 1
    for number, same in enumerate(zip(*layers, strict=True)):
        weight = np.stack([one.weight.detach().numpy() for one in same])
        bias = np.stack([one.bias.detach().numpy() for one in same])
        if number == last:
            asked = [0, *range(len(LIMITS), len(LIMITS) + len(QUANTILES))]
            weight, bias = weight[:, asked], bias[:, asked]
            bias[:, 1:] += USUAL_LOG_HOURS
        found[f"weight_{number}"] = weight.astype(np.float16)
        found[f"bias_{number}"] = bias
    return found


if __name__ == "__main__":
    collected = collect()
    print(f"{len(collected.weight)} looks at {np.unique(collected.ferment).size} ferments")
    arrays = packed(collected, [taught(collected, seed) for seed in range(NETWORKS)])
    np.savez_compressed(Path(sys.argv[1]), allow_pickle=False, **arrays)
