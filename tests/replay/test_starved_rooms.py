"""Rooms that suit the yeast, and those that put it to sleep."""

from __future__ import annotations

import numpy as np
from numpy.random import default_rng

from monitor.replay.starved import STEP_H, STEPS_PER_HOUR
from monitor.replay.starved_rooms import HORIZON_H, room_of


def test_most_rooms_suit_the_yeast() -> None:
    """The mean lies in the range of the yeast in seven of ten and more; a carboy cools over hours."""
    rooms = [room_of(default_rng(seed), (15.0, 23.0), 12.0, chilled=False) for seed in range(60)]
    assert sum(15.0 <= float(np.median(room.air_c)) <= 23.0 for room in rooms) >= 42
    assert all(room.air_c.size == int(HORIZON_H / STEP_H) + 1 for room in rooms)
    assert all(6.0 < room.cooling_h < 30.0 for room in rooms)


def test_a_chilled_room_goes_below_where_the_yeast_sleeps() -> None:
    """For two days on end at least, whatever the time of the day, and it comes back."""
    for seed in range(20):
        room = room_of(default_rng(seed), (15.0, 23.0), 12.0, chilled=True)
        days = room.air_c[:-1].reshape(-1, 24 * STEPS_PER_HOUR).mean(axis=1)
        cold = np.flatnonzero(days < 12.5)
        assert cold.size >= 2
        assert days[-7:].mean() > days[cold].mean() + 1.5
