"""The pattern of a check against something outside, one row of a table each."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest


class Check(NamedTuple):
    """A published value: what to compute, what it should be, how far off it may be, and where it is from."""

    compute: Callable[[], float]
    expected: float
    tolerance: float
    source: str

    def hold(self) -> None:
        """Fail with the source where the computed value is further off than the tolerance."""
        assert self.compute() == pytest.approx(self.expected, abs=self.tolerance), self.source
