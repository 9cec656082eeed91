"""The calculators of what is put together: room in the vessel, and figures that speak for themselves."""

from __future__ import annotations

import pytest

from monitor.errors import QuantityError

from .test_cellar import BATCH, as_json, run

LACTIC = ["acid", "--volume", "18L", "--rise", "1 g/L", "--with", "lactic", "--by", "mass"]


def told(words: list[str]) -> str:
    """What a command prints, as one line."""
    return " ".join(run(words).stdout.split())


def test_the_headroom_asked_for_stays_free() -> None:
    """18.47 L (worked example) in 18.5 L fill the headroom, in 19 L they do not, in 18.2 L they overflow.

    To keep a tenth of 18.5 L free, 18 x (1 - 16.65/18.4718) = 1.775 L come out first; for 2 % 0.333 L.
    """
    sweeten = ["sweeten", "1.010", *BATCH, "--with", "honey", "--vessel"]
    for words, out, free in (([], "333 mL", "370 mL"), (["--headroom", "10%"], "1.78 L", "1.85 L")):
        shown = told([*sweeten, "18.5L", *words])
        assert f"take out first {out}" in shown
        assert "fits the vessel with its headroom only after taking some out" in shown
        assert f"left free in it {free}" in shown
    assert "take out first" not in told([*sweeten, "19L"])
    assert "fits the vessel yes" in told([*sweeten, "19L"])
    assert "fits the vessel yes" in told([*sweeten, "18.5L", "--headroom", "0%"])
    assert "only after taking some out" in told([*sweeten, "18.2L"])
    assert as_json([*sweeten, "18.2L"])[0]["free_l"] == pytest.approx(0.02 * 18.2)


def test_each_warning_of_gas_names_its_sweetener() -> None:
    """Of all sweeteners side by side three make gas, and each says which one it is of."""
    shown = told(["sweeten", "1.010", *BATCH])
    for name in ("honey", "sugar", "dextrose"):
        assert shown.count(f"volumes of carbon dioxide of the fresh {name}.") == 1
    assert "fresh lactose" not in shown


def test_a_must_to_the_brim_leaves_nothing_free() -> None:
    """Without headroom the vessel is full, and the output says so."""
    assert "left free in the vessel nothing: it is full to the brim" in told(
        ["must", "1.042", "--vessel", "10L"]
    )
    assert "left free in the vessel 1.00 L" in told(["must", "1.042", "--vessel", "10L", "--headroom", "1L"])


def test_a_blend_that_grows_swells() -> None:
    """Parts that together take more room swell, by the partial volumes of the balance; no sign is printed."""
    assert "swells by 1.4 mL" in told(["blend", "18L,0.998,5.5%", "5L,1.030,11%"])
    assert "shrinks by 3.8 mL" in told(["blend", "18L,1.000,0%", "5L,1.100,0%"])


def test_a_must_of_water_fouls_no_air() -> None:
    """Without sugar there is no gas to warn of."""
    assert "carbon dioxide" not in told(["must", "1.000", "--volume", "10L"])
    assert "carbon dioxide" in told(["must", "1.040", "--volume", "10L"])


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["dilute", *BATCH, "--to-alcohol", "0%"], "above 0 and below"),
        (["correct", "0.998", "1.040", "--volume", "18L"], "carboyd sweeten"),
        ([*LACTIC, "--solution", "88%"], "give --density"),
        (["infusion", "--volume", "18L", "--amount", "0g"], "the weight that the recipe has"),
        (["keg", "-1", "--at", "4C"], "about 3 volumes is usual"),
    ],
)  # fmt: skip
def test_an_error_says_what_to_do(words: list[str], hint: str) -> None:
    """What cannot be worked out is refused with the way on."""
    with pytest.raises(QuantityError) as refused:
        run(words)
    assert hint in refused.value.hint
    assert "second part" not in str(refused.value)
