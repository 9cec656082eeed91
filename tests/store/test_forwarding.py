"""Positions, troubles and lines set aside, on every engine."""

from __future__ import annotations

import pytest

from monitor.errors import StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.forwarding import COUNTED, KEPT_ASIDE, LONGEST_REASON
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Feed, SetAside
from monitor.units import Quantity

TARGET = "http://127.0.0.1:8086 cellar/carboyd"


def aside(position: int) -> SetAside:
    """A line that was refused."""
    return SetAside(Feed.READINGS, position, f"line {position}", "400 bad", 7)


def test_a_target_begins_at_nothing_and_has_its_own_positions(store):
    """Two targets know nothing of each other."""
    store.forwarding.accepted(TARGET, {Feed.READINGS: 7, Feed.LEVELS: 2}, at_ms=1)
    store.forwarding.accepted(TARGET, {Feed.READINGS: 9}, at_ms=2)
    assert store.forwarding.positions(TARGET) == {
        Feed.READINGS: 9,
        Feed.LEVELS: 2,
        Feed.PHASES: 0,
        Feed.ALERTS: 0,
    }
    assert set(store.forwarding.positions("elsewhere").values()) == {0}


def test_the_state_says_what_waits_and_since_when(store):
    """Counted from the position on, with the arrival of the reading that has waited longest."""
    store.readings.commit([Reading("a", Quantity.GRAVITY, n, 1.04, 100 + n) for n in range(5)])
    second = int(store.readings.after(0, 2).position[-1])
    store.forwarding.accepted(TARGET, {Feed.READINGS: second}, at_ms=50)
    state = store.forwarding.state(TARGET)
    assert (state.waiting[Feed.READINGS], state.oldest_ms, state.accepted_ms) == (3, 102, 50)
    assert (state.trouble, state.trouble_ms, state.set_aside) == ("", None, 0)
    assert COUNTED > 3
    fresh = store.forwarding.state("elsewhere")
    assert (fresh.waiting[Feed.READINGS], fresh.oldest_ms, fresh.accepted_ms) == (5, 100, None)


def test_a_trouble_is_kept_until_something_is_accepted(store):
    """The time of the last success stays with it, and its words are bounded."""
    store.forwarding.accepted(TARGET, {}, at_ms=50)
    store.forwarding.failed(TARGET, "no answer" * 200, at_ms=60)
    state = store.forwarding.state(TARGET)
    assert (state.accepted_ms, state.trouble_ms, len(state.trouble)) == (50, 60, LONGEST_REASON)
    store.forwarding.accepted(TARGET, {}, at_ms=70)
    state = store.forwarding.state(TARGET)
    assert (state.accepted_ms, state.trouble, state.trouble_ms) == (70, "", None)


def test_lines_set_aside_are_kept_once_and_bounded(store):
    """The newest come first, the same line again is the same line, the oldest beyond the cap go."""
    store.forwarding.accepted(TARGET, {Feed.READINGS: 2}, [aside(1), aside(2)], at_ms=7)
    store.forwarding.accepted(TARGET, {Feed.READINGS: 2}, [aside(2)], at_ms=8)
    assert store.forwarding.set_aside(TARGET) == [aside(2), aside(1)]
    many = [aside(position) for position in range(3, KEPT_ASIDE + 11)]
    store.forwarding.accepted(TARGET, {Feed.READINGS: 2_000}, many, at_ms=9)
    assert store.forwarding.state(TARGET).set_aside == KEPT_ASIDE
    assert store.forwarding.set_aside(TARGET, 1) == [aside(KEPT_ASIDE + 10)]
    assert store.forwarding.set_aside("elsewhere") == []


def test_starting_over_forgets_one_target(store):
    """Its positions and its lines go, another's stay."""
    for target in (TARGET, "elsewhere"):
        store.forwarding.accepted(target, {Feed.READINGS: 5}, [aside(5)], at_ms=7)
    store.forwarding.start_over(TARGET)
    assert store.forwarding.positions(TARGET)[Feed.READINGS] == 0
    assert store.forwarding.set_aside(TARGET) == []
    assert store.forwarding.positions("elsewhere")[Feed.READINGS] == 5
    assert store.forwarding.set_aside("elsewhere") == [aside(5)]


def test_positions_that_somebody_moved_are_not_moved_again(store):
    """What was sent before everything was asked for again does not undo the asking."""
    since = store.forwarding.positions(TARGET)
    assert store.forwarding.accepted(TARGET, {Feed.READINGS: 5}, at_ms=1, since=since)
    before = store.forwarding.positions(TARGET)
    store.forwarding.start_over(TARGET)
    assert not store.forwarding.accepted(TARGET, {Feed.READINGS: 9}, [aside(7)], at_ms=2, since=before)
    assert store.forwarding.positions(TARGET)[Feed.READINGS] == 0
    assert store.forwarding.set_aside(TARGET) == []


def test_one_process_of_several_forwards_until_it_ends(server_url):
    """On a server the first to ask has it, for each target its own; when it closes the next one does."""
    one, two = SqlStore(StoreOptions(server_url)), SqlStore(StoreOptions(server_url))
    with one, two:
        assert one.forwarding.mine(TARGET)
        assert one.forwarding.mine(TARGET)
        assert not two.forwarding.mine(TARGET)
        assert two.forwarding.mine("elsewhere")
        assert not one.forwarding.mine("elsewhere")
        one.close()
        assert two.forwarding.mine(TARGET)


def test_a_lock_whose_connection_broke_is_asked_for_again(server_url):
    """The server ends the connection: an error once, as with any question, and then it is held anew."""
    with SqlStore(StoreOptions(server_url)) as one:
        assert one.forwarding.mine(TARGET)
        with one._gate.writing() as connection:
            connection.exec_driver_sql(
                "SELECT pg_terminate_backend(pid) FROM pg_locks "
                "WHERE locktype = 'advisory' AND pid <> pg_backend_pid()"
            )
        with pytest.raises(StoreUnavailableError):
            one.forwarding.mine(TARGET)
        assert one.forwarding.mine(TARGET)
