"""Rooms swing by day, wander with the weather, and have spells."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.random import default_rng

from monitor.replay.room import Room, RoomSpell, room_temperature, wander


def test_wander_has_unit_deviation_and_the_memory_asked_for() -> None:
    """The theory of the Ornstein-Uhlenbeck process: correlation exp(-lag/memory)."""
    path = wander(400_000, 0.5, 10.0, default_rng(1))
    assert np.std(path) == pytest.approx(1.0, abs=0.03)
    lag = 20
    assert np.corrcoef(path[:-lag], path[lag:])[0, 1] == pytest.approx(math.exp(-1.0), abs=0.03)


def test_a_still_room_is_its_mean() -> None:
    """Without swing, weather or spells nothing moves; there is a value at every half step, both ends."""
    still = room_temperature(Room(mean_c=18.0, swing_c=0.0, weather_c=0.0), 24.0, 9.0, default_rng(0))
    assert len(still) == 97
    assert np.allclose(still, 18.0)


def test_the_day_is_warmest_in_the_afternoon() -> None:
    """With a swing alone the warmest moment lies near the hour asked for."""
    room = Room(swing_c=2.0, weather_c=0.0, warmest_hour=16.0)
    day = room_temperature(room, 24.0, 0.0, default_rng(0))
    assert abs(np.argmax(day) * 0.25 - 16.0) < 3.0


def test_a_cold_spell_comes_and_goes() -> None:
    """In its middle the room is colder by all of it, before and after by none."""
    room = Room(mean_c=20.0, swing_c=0.0, weather_c=0.0, spells=(RoomSpell(100.0, 200.0, -8.0),))
    path = room_temperature(room, 300.0, 0.0, default_rng(0))
    assert path[4 * 150] == pytest.approx(12.0, abs=0.01)
    assert path[4 * 50] == pytest.approx(20.0, abs=0.01)
    assert path[4 * 280] == pytest.approx(20.0, abs=0.01)
