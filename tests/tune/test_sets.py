"""Many settings at once are the settings one by one."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.errors import InputError
from monitor.ferment.pipeline import Analysis
from monitor.tune.sets import PART_OF, Sets, changed, value_of
from monitor.tune.spread import Spread


def test_each_threshold_is_changed_alone() -> None:
    """Whichever part of the analysis holds it."""
    for name in PART_OF:
        other = changed(Analysis(), {name: 123.5})
        assert {one for one in PART_OF if value_of(other, one) != value_of(Analysis(), one)} == {name}
    with pytest.raises(InputError, match="patience"):
        changed(Analysis(), {"patience": 1.0})


def test_settings_come_back_as_they_went_in() -> None:
    """One by one, and as spreads of each figure."""
    given = [Analysis(), changed(Analysis(), {"finished_doubt": 0.3, "clear_dwell": 9.0})]
    sets = Sets.listed(given)
    assert len(sets) == 2
    assert [sets[0], sets[1]] == given
    thresholds, policy = sets.spreads()
    assert isinstance(thresholds.finished_doubt, Spread)
    assert thresholds.finished_doubt.rows[thresholds.finished_doubt.codes, 0].tolist() == [
        Analysis().thresholds.finished_doubt, 0.3,
    ]  # fmt: skip
    assert policy.clear_dwell.rows[policy.clear_dwell.codes, 0].tolist() == [
        Analysis().alerts.clear_dwell,
        9.0,
    ]


def test_figures_that_are_the_same_stay_numbers() -> None:
    """A single setting has no spread at all."""
    thresholds, policy = Sets.one(Analysis()).spreads()
    assert (thresholds, policy) == (Analysis().thresholds, Analysis().alerts)
    sets = Sets(Analysis(), ("moving_z",), np.array([[1.0], [2.0]]))
    assert sets.spreads()[1] == Analysis().alerts
