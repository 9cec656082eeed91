"""Values of many threshold sets, each different row kept and computed once.

Ten thousand sets differ in few ways at any one comparison: `gap > 5 + sd * threshold` has as many different
answers as that threshold has values. A `Spread` holds the different rows (each an array over moments) and
for every set the row that it has. Array functions act on rows and on pairs of rows that occur together, and
rows of booleans that came out the same are kept once: the numbers are those that plain arrays of (sets x
moments) would give, to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin
from numpy.typing import NDArray

Codes = NDArray[np.int64]
Rows = NDArray[Any]

DENSE: Final = 4
"""Pairs of rows are found by a table where it has at most so many cells for each set, else by sorting."""


class Spread(NDArrayOperatorsMixin):
    """`rows[codes[i]]` is what set i has; rows are (different ones x moments), or (different ones x 1)."""

    __slots__ = ("codes", "rows")

    def __init__(self, codes: Codes, rows: Rows) -> None:
        self.codes = codes
        self.rows = rows

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **options: Any) -> Any:
        """Any array function of one result, row by row."""
        if method != "__call__" or options or ufunc.nout != 1:
            return NotImplemented
        return _by_rows(ufunc, inputs)

    def __array_function__(self, function: Any, types: Any, inputs: Any, options: Any) -> Any:
        """The few that act on each value by itself, as array functions do."""
        if function not in EACH_BY_ITSELF or options:
            return NotImplemented
        return _by_rows(function, inputs)

    def __bool__(self) -> bool:
        """A branch cannot ask many sets at once."""
        raise TypeError("a comparison of many threshold sets is neither true nor false")


EACH_BY_ITSELF: Final = (np.where, np.clip, np.nan_to_num)


def _by_rows(function: Callable[..., Any], inputs: Sequence[Any]) -> Spread:
    spreads = [one for one in inputs if isinstance(one, Spread)]
    codes = spreads[0].codes
    rows = iter((spreads[0].rows,))
    if len(spreads) > 1:
        codes, taken = together([one.codes for one in spreads], [len(one.rows) for one in spreads])
        rows = iter(one.rows[index] for one, index in zip(spreads, taken, strict=True))
    result = function(*(next(rows) if isinstance(one, Spread) else one for one in inputs))
    return merged(codes, result) if result.dtype == np.bool_ else Spread(codes, result)


def spread(value: Any, sets: int) -> Spread:
    """A value that may be the same for all sets, as a Spread."""
    if isinstance(value, Spread):
        return value
    return Spread(np.zeros(sets, dtype=np.int64), np.atleast_1d(np.asarray(value))[None, :])


def together(codes: list[Codes], sizes: list[int]) -> tuple[Codes, list[Codes]]:
    """The combinations of rows that occur: for every set its combination, and for every part its row there.

    `sizes` are the numbers of rows of the parts.
    """
    joint: Codes = codes[0]
    taken: list[Codes] = [np.arange(sizes[0])]
    for part, size in zip(codes[1:], sizes[1:], strict=True):
        joint, (before, added) = _pairs(joint, len(taken[0]), part, size)
        taken = [*(one[before] for one in taken), added]
    occurs = np.zeros(len(taken[0]), dtype=np.bool_)
    occurs[joint] = True
    if occurs.all():
        return joint, taken
    # rows that some set had are of no set here: only a part of the sets was asked for
    return (np.cumsum(occurs) - 1)[joint], [one[occurs] for one in taken]


def _pairs(first: Codes, rows: int, second: Codes, others: int) -> tuple[Codes, tuple[Codes, Codes]]:
    if others == 1:
        return first, (np.arange(rows), np.zeros(rows, dtype=np.int64))
    if rows == 1:
        return second, (np.zeros(others, dtype=np.int64), np.arange(others))
    joint = first * others + second
    if rows * others <= DENSE * first.size:
        there = np.zeros(rows * others, dtype=np.bool_)
        there[joint] = True
        kept = np.flatnonzero(there)
        place = np.cumsum(there) - 1
        codes = place[joint]
    else:
        kept, codes = np.unique(joint, return_inverse=True)
    return codes, (kept // others, kept % others)


def merged(codes: Codes, rows: Rows) -> Spread:
    """Rows of booleans that are the same kept once, and rows that no set has left out."""
    if len(rows) == 1:
        return Spread(codes, rows)
    packed = np.packbits(rows, axis=1)
    seen: dict[bytes, int] = {}
    place = np.array([seen.setdefault(row.tobytes(), len(seen)) for row in packed], dtype=np.int64)
    if len(seen) == len(rows):
        return Spread(codes, rows)
    first = np.empty(len(seen), dtype=np.int64)
    first[place[::-1]] = np.arange(len(rows))[::-1]
    return Spread(place[codes], rows[first])
