"""Tables that are added up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ferment.tables import Tables

TWO = Tables(
    base=10.0,
    trait=np.array([[0, 1], [1, 1]]),
    edge=np.array([[1.0, 2.0], [5.0, 7.0]]),
    value=np.array([[0.1, 0.2, 0.3, 0.4], [1.0, 2.0, 3.0, 4.0]]),
)


@pytest.mark.parametrize(
    ("traits", "sum_by_hand"),
    [
        ((0.0, 0.0), 10.0 + 0.1 + 1.0),
        ((2.0, 0.0), 10.0 + 0.3 + 1.0),
        ((2.0, 6.0), 10.0 + 0.4 + 3.0),
        ((1.0, 2.0), 10.0 + 0.1 + 1.0),
        ((math.nan, 9.0), 10.0 + 0.2 + 4.0),
    ],
)
def test_questions_lead_to_a_place_in_each_table(traits: tuple[float, float], sum_by_hand: float) -> None:
    """The first question decides the half; on the edge, or not known, is not above it."""
    assert TWO.answer(np.array(traits)) == pytest.approx(sum_by_hand)


def by_walking(tables: Tables, traits: list[float]) -> float:
    """The same sum, question by question."""
    total = tables.base
    for asked, edges, value in zip(
        tables.trait.tolist(), tables.edge.tolist(), tables.value.tolist(), strict=True
    ):
        while asked:
            half = len(value) // 2
            value = value[half:] if traits[asked[0]] > edges[0] else value[:half]
            asked, edges = asked[1:], edges[1:]
        total += value[0]
    return total


@given(st.integers(0, 10_000), st.integers(1, 6), st.integers(1, 30))
def test_one_row_many_rows_and_a_walk_agree(seed: int, questions: int, tables: int) -> None:
    """`answer`, `answers` and a walk through each table give the same sum."""
    rng = np.random.default_rng(seed)
    many = Tables(
        float(rng.normal()),
        rng.integers(0, 4, (tables, questions)),
        rng.normal(size=(tables, questions)),
        rng.normal(size=(tables, 2**questions)),
    )
    rows = rng.normal(size=(3, 4))
    rows[0, 1] = math.nan
    walked = [by_walking(many, row) for row in rows.tolist()]
    assert many.answers(rows) == pytest.approx(walked)
    assert [many.answer(row) for row in rows] == pytest.approx(walked)
