"""How far forwarding has come, by command."""

from __future__ import annotations

import json

import pytest

from monitor.commands.forward import lag_words
from monitor.errors import InputError
from monitor.ferment.event import Reading
from monitor.store.values import Feed, ForwardState, SetAside
from monitor.units import MS_PER_DAY, MS_PER_HOUR, Quantity

NAME = "http://127.0.0.1:8086 carboyd/carboyd"


@pytest.fixture
def forwarding(config):
    """The configuration with forwarding turned on."""
    config.write_text(config.read_text() + '[influx]\nenabled = true\ntoken = "not-to-be-shown"\n')


def state(waiting: int = 0, oldest_ms: int | None = None, trouble: str = "", aside: int = 0) -> ForwardState:
    """How far one target has come."""
    return ForwardState(NAME, {Feed.READINGS: waiting}, oldest_ms, 5, trouble, 0 if trouble else None, aside)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (state(), "all is forwarded"),
        (state(1, 9 * MS_PER_DAY - 90_000), "1 waits, the oldest for 1 min"),
        (state(40, 9 * MS_PER_DAY - 5 * MS_PER_HOUR), "40 wait, the oldest for 5 h"),
        (state(100_000, 0, aside=2), "100000 or more wait, the oldest for 9 days; 2 refused by the server"),
    ],
)
def test_the_lag_is_told_in_one_line(given, words):
    """What waits, since when, what was refused."""
    assert lag_words(given, 9 * MS_PER_DAY) == words


def test_a_trouble_is_told_with_its_reason():
    """Since when nothing is accepted, and why."""
    assert "; not accepted since " in lag_words(state(1, 0, "503 unavailable"), 5)
    assert lag_words(state(1, 0, "503 unavailable"), 5).endswith(": 503 unavailable")


def test_the_command_shows_and_starts_over(carboyd_command, store, forwarding):
    """What waits and what was refused is shown; `--again` has all wait anew; no token is printed."""
    store.readings.commit([Reading("f", Quantity.GRAVITY, n, 1.04, n) for n in range(3)])
    aside = SetAside(Feed.READINGS, 2, "reading,sensor=f gravity_sg=1.04 1", "400 field type conflict", 7)
    store.forwarding.accepted(NAME, {Feed.READINGS: 2}, [aside], at_ms=7)
    shown = carboyd_command("forward", "--refused").output
    assert "1 waits" in shown
    assert aside.line in shown
    document = json.loads(carboyd_command("forward", "--json", "--refused").output)
    assert document["waiting"] == {"levels": 0, "phases": 0, "alerts": 0, "readings": 1}
    assert document["refused_lines"][0]["reason"] == aside.reason
    again = json.loads(carboyd_command("forward", "--json", "--again").output)
    assert (again["waiting"]["readings"], again["refused"]) == (3, 0)
    assert "Forwarding: 3 wait" in carboyd_command("status").output
    assert "not-to-be-shown" not in shown + str(document) + str(again)


def test_without_forwarding_the_command_says_how_to_begin(carboyd_command, store):
    """Off by default, and then the status says nothing of it."""
    failed = carboyd_command("forward").exception
    assert isinstance(failed, InputError)
    assert "influx.enabled" in failed.hint
    assert "Forwarding" not in carboyd_command("status").output
