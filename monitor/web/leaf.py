"""One page of a long list: which it is, and which part of the list stands on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

ON_A_PAGE: Final = 25

One = TypeVar("One")


@dataclass(frozen=True, slots=True)
class Leaf:
    """A page of so many things; one asked for beyond the last is the last."""

    asked: int
    count: int
    """How many things there are in all."""
    size: int = ON_A_PAGE

    @property
    def pages(self) -> int:
        """How many pages there are; 1 for an empty list."""
        return max(1, -(-self.count // self.size))

    @property
    def page(self) -> int:
        """Which page it is, from 1."""
        return min(max(1, self.asked), self.pages)

    @property
    def first(self) -> int:
        """The place of its first thing in the list, from 0."""
        return (self.page - 1) * self.size

    def part(self, whole: Sequence[One]) -> Sequence[One]:
        """What of the whole list stands on it."""
        return whole[self.first : self.first + self.size]
