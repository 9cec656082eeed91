"""Pages of a long list."""

from __future__ import annotations

import pytest

from monitor.web.leaf import Leaf


@pytest.mark.parametrize("count", [0, 1, 9, 10, 11, 37])
def test_every_thing_is_on_one_page(count: int) -> None:
    """The pages together are the list, in its order."""
    whole = list(range(count))
    leaves = [Leaf(page, count, 10) for page in range(1, Leaf(1, count, 10).pages + 1)]
    assert [one for leaf in leaves for one in leaf.part(whole)] == whole
    assert all(leaf.part(whole) for leaf in leaves) or not count


@pytest.mark.parametrize(("asked", "shown"), [(-3, 1), (0, 1), (1, 1), (3, 3), (99, 3)])
def test_a_page_that_is_not_there_is_the_nearest(asked: int, shown: int) -> None:
    """Before the first the first, beyond the last the last."""
    assert Leaf(asked, 25, 10).page == shown
