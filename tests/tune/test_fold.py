"""The fold of many threshold sets tells exactly what the judge tells with each of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.ferment.emission import AlertKind
from monitor.ferment.pipeline import Analysis
from monitor.ferment.verdict import decide
from monitor.tune.fold import Asked, agrees, fold, judged
from monitor.tune.sets import PART_OF, Sets, changed, value_of
from monitor.tune.shelf import Shelf
from monitor.tune.sweep import Record, seen_of
from monitor.tune.witness import MEASURED, Witnessed

Invent = Callable[[int, int], Witnessed]
PRESENT = Analysis()
NOTHING = {"refermenting_z": 0.01}
"""In place of nothing where the verdict divides by a threshold."""


def settings_about(rng: np.random.Generator, count: int, share: float = 0.5) -> list[Analysis]:
    """The present setting, and others with any of its figures a third or three times as large, or nothing."""
    found = [PRESENT]
    for _ in range(count):
        values = {}
        for name in PART_OF:
            if rng.random() < share:
                factor = float(rng.choice([NOTHING.get(name, 0.0), 0.3, 0.7, 1.3, 3.0, rng.random()]))
                values[name] = value_of(PRESENT, name) * factor
        found.append(changed(PRESENT, values))
    return found


def by_hand(seen: Witnessed, rng: np.random.Generator) -> Witnessed:
    """The same with samples of a batch at rest beside it; two times in three no float is heard at all."""
    columns, moments = seen.columns.copy(), seen.moments
    fall = np.clip(np.cumsum(rng.normal(0.0, 0.6, moments)), -1.0, 6.0)
    given = {
        "by_hand_lost_points": fall,
        "by_hand_lost_before_points": np.roll(fall, 1),
        "by_hand_lost_hours": rng.choice([24.0, 96.0], moments),
        "by_hand_lost_error_points": rng.choice([2.0, 3.0], moments),
        "by_hand_still_hours": np.where(np.cumsum(rng.random(moments) < 0.03) % 2 == 1, 200.0, 0.0),
    }
    if rng.random() < 2 / 3:
        columns[[MEASURED.index(name) for name in ("readings", "data_age_hours", "level_points")]] = np.nan
    for name, values in given.items():
        columns[MEASURED.index(name)] = values
    return replace(seen, columns=columns)


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_invented_evidence_is_judged_as_the_judge_does(invent: Invent, seed: int) -> None:
    """Signs that come and go as no ferment's do: every alert begins and ends at the same millisecond."""
    rng = np.random.default_rng(seed)
    seen = invent(seed, 70)
    analyses = settings_about(rng, 5)
    folded = fold(seen, Asked.of(Sets.listed(analyses)))
    for place, analysis in enumerate(analyses):
        assert folded.of(place) == judged(seen, analysis)


@settings(max_examples=15)
@given(st.integers(0, 2**32 - 1))
def test_what_hand_samples_tell_is_judged_as_the_judge_does(invent: Invent, seed: int) -> None:
    """A batch at rest that falls and stands by hand samples, with a float or without."""
    rng = np.random.default_rng(seed)
    seen = by_hand(invent(seed, 140), rng)
    analyses = settings_about(rng, 5)
    folded = fold(seen, Asked.of(Sets.listed(analyses)))
    for place, analysis in enumerate(analyses):
        assert folded.of(place) == judged(seen, analysis)


def test_what_hand_samples_tell_comes_and_goes(invent: Invent) -> None:
    """Without a float it is told that it ferments again, and that it rests."""
    told = [
        spell
        for seed in range(12)
        for spell in judged(by_hand(invent(seed, 140), np.random.default_rng(seed)), PRESENT).get(
            AlertKind.REFERMENTING, ()
        )
    ]
    assert told
    assert any(spell.until_ms < 2**62 for spell in told)


def test_invented_evidence_does_come_and_go(invent: Invent) -> None:
    """The property above is about something: every kind fires, and the verdicts are taken back too."""
    ended, begun = set(), set()
    for seed in range(120):
        for kind, spells in judged(invent(seed, 70), PRESENT).items():
            begun.add(kind)
            if any(spell.until_ms < 2**62 for spell in spells):
                ended.add(kind)
    verdicts = {AlertKind.FINISHED, AlertKind.STALLED, AlertKind.REFERMENTING}
    assert (
        verdicts | {AlertKind.SENSOR_SILENT, AlertKind.TEMPERATURE_LOW, AlertKind.TEMPERATURE_HIGH} == begun
    )
    assert verdicts <= ended


def test_ferments_are_judged_as_the_judge_does(records: list[Record], shelf: Shelf) -> None:
    """Eight recordings under settings drawn at random; all six kinds but the heat are told in them."""
    rng = np.random.default_rng(3)
    told: set[AlertKind] = set()
    for record in records:
        seen = seen_of(record, shelf)
        analyses = settings_about(rng, 4, share=0.25)
        folded = fold(seen, Asked.of(Sets.listed(analyses)))
        for place, analysis in enumerate(analyses):
            assert folded.of(place) == judged(seen, analysis)
            told |= set(folded.of(place))
    assert told >= {
        AlertKind.FINISHED, AlertKind.STALLED, AlertKind.REFERMENTING, AlertKind.SENSOR_SILENT,
        AlertKind.TEMPERATURE_LOW,
    }  # fmt: skip


def test_signs_over_arrays_are_signs_over_numbers(records: list[Record], shelf: Shelf) -> None:
    """`decide` gives for arrays over moments what it gives moment by moment."""
    seen = seen_of(records[4], shelf)
    with np.errstate(all="ignore"):
        whole = decide(seen.evidence(), PRESENT.thresholds)
    for moment, (shown, _) in enumerate(seen.looks()):
        signs = decide(shown, PRESENT.thresholds)
        for name in signs.__slots__:
            assert bool(getattr(signs, name)) == bool(getattr(whole, name)[moment])


def test_a_batch_that_was_never_looked_at_tells_nothing(invent: Invent) -> None:
    """No moments, no alerts, for any number of settings."""
    empty = invent(1, 0)
    assert fold(empty, Asked.of(Sets.listed([PRESENT] * 3))).of(2) == {}
    assert agrees(empty, PRESENT)


@pytest.mark.parametrize("sets", [1, 400])
def test_one_setting_or_many(invent: Invent, sets: int) -> None:
    """What a setting tells does not depend on which others are asked with it."""
    seen = invent(11, 70)
    analyses = settings_about(np.random.default_rng(5), sets - 1)
    folded = fold(seen, Asked.of(Sets.listed(analyses)))
    alone = fold(seen, Asked.of(Sets.one(analyses[-1])))
    assert folded.of(sets - 1) == alone.of(0)
