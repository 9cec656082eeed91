"""What was done, and what it leaves to be done, whatever the order of entry."""

from __future__ import annotations

from itertools import permutations

import pytest

from monitor.ferment.deeds import Deeds
from monitor.ferment.event import JournalEntry, JournalKind

IN, OUT, PACKAGED = JournalKind.INFUSION_IN, JournalKind.INFUSION_OUT, JournalKind.PACKAGED


@pytest.mark.parametrize(
    ("done", "begun_ms"),
    [
        ([(IN, 2)], 2),
        ([(IN, 2), (OUT, 4)], None),
        ([(IN, 2), (OUT, 2)], None),
        ([(IN, 2), (PACKAGED, 4)], None),
        ([(OUT, 1), (IN, 2)], 2),
        ([(IN, 2), (OUT, 4), (IN, 6)], 6),
        ([(IN, 2), (IN, 6), (OUT, 4)], 6),
        ([(PACKAGED, 1), (IN, 2)], 2),
        ([(OUT, 3), (PACKAGED, 4)], None),
    ],
)
def test_an_infusion_is_in_until_it_is_out_or_packaged(
    done: list[tuple[JournalKind, int]], begun_ms: int | None
) -> None:
    """By when each was done, in whatever order they were entered."""
    for order in permutations(done):
        entries = [JournalEntry(kind, done_ms, 100 + place) for place, (kind, done_ms) in enumerate(order)]
        found = Deeds(entries).infusion
        assert (None if found is None else found.done_ms) == begun_ms


@pytest.mark.parametrize("kind", JournalKind)
def test_feeding_is_over_once_fed_stabilised_or_packaged(kind: JournalKind) -> None:
    """Nothing else ends it."""
    ends = kind in (JournalKind.NUTRIENT, JournalKind.STABILISED, PACKAGED)
    assert not Deeds().feeding_is_over
    assert Deeds([JournalEntry(kind, 1, 1)]).feeding_is_over == ends
    assert Deeds([JournalEntry(kind, 1, 1)]).did(kind)
