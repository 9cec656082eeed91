"""What a simulated recording was made from."""

from __future__ import annotations

import numpy as np

from monitor.replay.past import past_of
from monitor.replay.simulate import simulate


def test_marks_are_hours_of_the_gravity() -> None:
    """At the hour of its finish a ferment has a point left to fall, and it is sweetened after that."""
    past = past_of(simulate("sweetened", 900_003))
    assert past.finished_h is not None
    assert past.final_sg is not None
    assert past.sweetened_h is not None
    hours = np.arange(past.gravity_sg.size)
    assert abs(float(np.interp(past.finished_h, hours, past.gravity_sg)) - past.final_sg - 0.001) < 1e-4
    assert past.sweetened_h > past.finished_h


def test_what_stops_short_has_no_end() -> None:
    """A must that its yeast cannot bear has neither finish nor end, only what it could have reached."""
    past = past_of(simulate("tolerance-stall", 900_004))
    assert past.final_sg is None
    assert past.finished_h is None
    assert past.attainable_sg < past.gravity_sg.min() - 0.005
