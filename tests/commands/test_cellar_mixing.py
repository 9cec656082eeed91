"""The calculators of what is put together: room in the vessel, and figures that speak for themselves."""

from __future__ import annotations

import pytest

from .test_cellar import BATCH, as_json, run


def told(words: list[str]) -> str:
    """What a command prints, as one line."""
    return " ".join(run(words).stdout.split())


def test_a_vessel_filled_to_the_brim_is_called_so() -> None:
    """18.47 L (worked example) in 18.5 L fit only to the brim, in 19 L with room, in 18.2 L not at all."""
    sweeten = ["sweeten", "1.010", *BATCH, "--with", "honey", "--vessel"]
    brim = told([*sweeten, "18.5L"])
    assert "fits the vessel only to the brim" in brim
    assert "left free in it 28.2 mL" in brim
    assert "fits the vessel yes" in told([*sweeten, "19L"])
    assert "fits the vessel yes" in told([*sweeten, "18.5L", "--headroom", "0%"])
    assert "only after taking some out" in told([*sweeten, "18.2L"])
    assert as_json([*sweeten, "18.2L"])[0]["free_l"] == pytest.approx(0.02 * 18.2)


def test_a_must_to_the_brim_leaves_nothing_free() -> None:
    """Without headroom the vessel is full, and the output says so."""
    assert "left free in the vessel nothing: it is full to the brim" in told(
        ["must", "1.042", "--vessel", "10L"]
    )
    assert "left free in the vessel 1.00 L" in told(["must", "1.042", "--vessel", "10L", "--headroom", "1L"])
