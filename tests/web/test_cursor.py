"""Places in a list as words."""

from __future__ import annotations

import base64

import pytest

from monitor.store.values import Place
from monitor.web import cursor
from monitor.web.problem import AccessError

NO_PLACES = (b"7", b"7 ", b"x a", b"-7 a", b"07 a", b"99999999999999999 a", b"7 a\x00b", b"\xff 7")


def encoded(plain: bytes) -> str:
    """A word that can be decoded."""
    return base64.urlsafe_b64encode(plain).decode().rstrip("=")


@pytest.mark.parametrize("place", [Place(0, "a"), Place(1_772_000_000_000, "plum-batch-2")])
def test_a_place_comes_back(place: Place) -> None:
    """What was written is read, and can stand in an address as it is."""
    word = cursor.written(place)
    assert cursor.read(word) == place
    assert word.replace("-", "").replace("_", "").isalnum()


@pytest.mark.parametrize(
    "word",
    [
        "",
        "plum",
        "%%%",
        "\u00e4",
        "=" * 8,
        cursor.written(Place(7, "plum")) + "=",
        cursor.written(Place(7, "plum"))[:-2],
        *(encoded(plain) for plain in NO_PLACES),
    ],
)
def test_any_other_word_is_refused(word: str) -> None:
    """With the status of a request that cannot be understood, and what to do instead."""
    with pytest.raises(AccessError) as caught:
        cursor.read(word)
    assert caught.value.status == 400
    assert "`next`" in caught.value.hint
