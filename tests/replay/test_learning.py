"""Teaching the network anew; needs the extra `learn`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from monitor.ferment import lookback, network
from monitor.replay.endings import Examples

torch = pytest.importorskip("torch")
learning = pytest.importorskip("monitor.replay.learning")


@pytest.fixture(scope="module")
def easy() -> Examples:
    """More is left where the first figure is above zero, and it takes longer where the second is."""
    rng = np.random.default_rng(0)
    figures = rng.normal(0.0, 1.0, (4000, lookback.COUNT)).astype(np.float32)
    left = np.where(figures[:, 0] > 0.0, 4.0, 0.2)
    hours = np.where(figures[:, 1] > 0.0, 100.0, np.where(figures[:, 2] > 0.0, np.nan, 10.0))
    return Examples(figures, left, hours, np.ones(4000), np.arange(4000))


def test_it_learns_what_is_easy_and_is_kept_whole(
    easy: Examples, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is written and read again says what the taught network says, and knows the rule."""
    net = learning.taught(easy, 0, width=32, rounds=100)
    arrays = learning.packed(easy, [net, net])
    kept = network.Network(
        arrays["mean"].astype(np.float64),
        arrays["spread"].astype(np.float64),
        tuple(arrays[f"weight_{layer}"].astype(np.float32) for layer in range(4)),
        tuple(arrays[f"bias_{layer}"] for layer in range(4)),
    )
    scaled = np.clip((easy.figures - arrays["mean"]) / arrays["spread"], -network.FURTHEST, network.FURTHEST)
    with torch.no_grad():
        said = net(torch.tensor(scaled))[:, 0].numpy()
    answers = [kept.answers(row) for row in easy.figures[:200].astype(np.float64)]
    mine = np.array([one.log_odds for one in answers])
    assert mine == pytest.approx(said[:200], abs=0.05)
    assert np.mean((mine > 0.0) == (easy.left_points[:200] > 1.75)) > 0.9
    long = np.array([one.hours_p50 > 32.0 for one in answers])
    known = ~np.isnan(easy.hours[:200])
    assert np.mean(long[known] == (easy.hours[:200][known] > 32.0)) > 0.9


def test_the_same_seed_teaches_the_same(easy: Examples) -> None:
    """Weights are the same to the bit."""
    first, again = (learning.taught(easy, 3, width=8, rounds=1) for _ in range(2))
    assert all(torch.equal(a, b) for a, b in zip(first.parameters(), again.parameters(), strict=True))
