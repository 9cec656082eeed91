"""Whether a ferment has more to fall, by a small network that was shown many simulated ones and their ends.

What precedents say hangs on how near the nearest of them lie; a network interpolates between them, and knows
which differences matter. Each errs in its own way: the network on ferments unlike those it was shown, the
precedents on quiet floats. So their log odds are weighed together (a logarithmic opinion pool: Genest and
Zidek, Statistical Science 1986). `monitor.replay.learning` makes the weights, from seeds that nothing is
measured on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from monitor.ferment import lookback
from monitor.ferment.series import Floats

FURTHEST: Final = 8.0
"""Figures are taken to lie within so many of their standard deviations."""
CERTAIN: Final = 1e-6
SHARE: Final = 0.65
"""Of the network in the pool; the rest is the precedents'."""


@dataclass(frozen=True, slots=True)
class Answers:
    """What a network says at one look."""

    log_odds: float
    """That more than `left.UNFINISHED_POINTS` are still to fall."""
    hours_p05: float
    """Until a point is left; percentiles."""
    hours_p50: float
    hours_p95: float


@dataclass(frozen=True, slots=True)
class Network:
    """Layers one after another, SiLU between them; several of the same make side by side, whose answers are
    averaged."""

    mean: Floats
    spread: Floats
    weights: tuple[NDArray[np.float32], ...]
    """Each (networks, outputs, inputs)."""
    biases: tuple[NDArray[np.float32], ...]
    """Each (networks, outputs)."""

    def answers(self, figures: Floats) -> Answers:
        """What it says at one look, from the figures of `monitor.ferment.lookback`."""
        scaled = np.clip((figures - self.mean) / self.spread, -FURTHEST, FURTHEST).astype(np.float32)
        state = scaled[np.newaxis, :, np.newaxis]
        for number, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
            if number:
                state = state * expit(state)
            state = weight @ state + bias[:, :, np.newaxis]
        log_odds, *log_hours = state[:, :, 0].mean(axis=0).tolist()
        low, middle, high = sorted(log_hours)
        return Answers(log_odds, math.exp(low), math.exp(middle), math.exp(high))


@cache
def network() -> Network:
    """The network that comes with the package."""
    with resources.files("monitor.ferment").joinpath("network.npz").open("rb") as file:
        kept = np.load(file)
        layers = sum(name.startswith("weight_") for name in kept.files)
        return Network(
            kept["mean"].astype(np.float64),
            kept["spread"].astype(np.float64),
            tuple(kept[f"weight_{layer}"].astype(np.float32) for layer in range(layers)),
            tuple(kept[f"bias_{layer}"].astype(np.float32) for layer in range(layers)),
        )


def asked(points: Floats, celsius: Floats, known: lookback.Known) -> Answers | None:
    """What the kept network says of a course; arguments and None as in `lookback.figures`."""
    figures = lookback.figures(points, celsius, known)
    return None if figures is None else network().answers(figures)


def pooled(unfinished: float, said: Answers | None) -> float:
    """One probability of two opinions, the precedents' and the network's; nan where they have none."""
    if said is None or math.isnan(unfinished):
        return unfinished
    held = min(max(unfinished, CERTAIN), 1.0 - CERTAIN)
    return float(expit(SHARE * said.log_odds + (1.0 - SHARE) * logit(held)))
