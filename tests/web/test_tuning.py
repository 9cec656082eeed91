"""The thresholds that a page lets one try."""

from __future__ import annotations

from monitor.ferment.pipeline import Analysis
from monitor.web.tuning import knobs
from monitor.web.words import THRESHOLD


def test_every_threshold_is_asked_for_in_words_of_its_own() -> None:
    """None is missing, none is left over, no two read the same."""
    found = knobs(Analysis())
    assert {knob.name for knob in found} == set(THRESHOLD)
    assert len({knob.label for knob in found}) == len(found)
    assert not any("_" in knob.label for knob in found)
