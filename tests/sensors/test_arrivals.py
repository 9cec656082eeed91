"""The queue between the network and the store."""

from __future__ import annotations

import threading

from hypothesis import given
from hypothesis import strategies as st

from monitor.sensors.arrivals import Arrival, Arrivals


def filled(count: int, capacity: int = 100) -> tuple[Arrivals, list[Arrival]]:
    """A queue on its first connection with messages 1 to `count` in it."""
    queue = Arrivals(capacity)
    queue.new_connection()
    arrivals = [Arrival("t", b"%d" % mid, mid, ack_token=queue.token(mid)) for mid in range(1, count + 1)]
    for arrival in arrivals:
        assert queue.put(arrival, 0.0)
    return queue, arrivals


def test_first_in_first_out():
    """Arrivals are taken in order, no more than asked for."""
    queue, arrivals = filled(5)
    assert queue.take(3, 0.0) == arrivals[:3]
    assert queue.take(3, 0.0) == arrivals[3:]
    assert queue.take(3, 0.0) == []


@given(st.permutations(range(8)), st.integers(1, 8))
def test_acknowledgements_are_released_in_order_of_arrival(order, chunk):
    """In whatever order they are settled, each is released once, in order, and none before its time."""
    queue, arrivals = filled(8)
    queue.take(8, 0.0)
    released: list[int] = []
    settled: set[int] = set()
    for at in range(0, 8, chunk):
        part = [arrivals[i] for i in order[at : at + chunk]]
        settled |= {i + 1 for i in order[at : at + chunk]}
        released += queue.settle(part)
        assert set(released) <= settled
    assert released == list(range(1, 9))
    assert queue.unacknowledged == 0


def test_acknowledgements_of_a_gone_connection_are_void():
    """After a new connection only its own messages are acknowledged, though the packet identifiers repeat."""
    queue, old = filled(3)
    queue.new_connection()
    assert len(queue) == 3
    new = Arrival("t", b"1", 9, ack_token=queue.token(1))
    queue.put(new, 0.0)
    assert queue.settle(old) == []
    assert queue.unacknowledged == 1
    assert queue.settle([new]) == [1]


def test_messages_of_qos_0_are_not_acknowledged():
    """A message without a token passes and holds nothing up."""
    queue, arrivals = filled(1)
    loose = Arrival("t", b"x", 0)
    queue.put(loose, 0.0)
    assert queue.settle([loose]) == []
    assert queue.settle(arrivals) == [1]


def test_the_queue_is_bounded():
    """At its capacity it takes no more, and leaves no trace of what it did not take."""
    queue, _ = filled(3, capacity=3)
    assert not queue.put(Arrival("t", b"4", 4, ack_token=queue.token(4)), 0.0)
    assert (len(queue), queue.unacknowledged) == (3, 3)


def test_a_full_queue_waits_for_room():
    """A put that finds no room goes on as soon as something is taken."""
    queue, arrivals = filled(1, capacity=1)
    done: list[bool] = []
    late = Arrival("t", b"2", 2, ack_token=queue.token(2))
    thread = threading.Thread(target=lambda: done.append(queue.put(late, 10.0)))
    thread.start()
    assert queue.take(1, 0.0) == arrivals
    thread.join(10.0)
    assert done == [True]
    assert queue.take(1, 0.0) == [late]


def test_a_take_waits_for_the_first():
    """A worker that finds nothing goes on as soon as something is put."""
    queue = Arrivals(10)
    taken: list[list[Arrival]] = []
    thread = threading.Thread(target=lambda: taken.append(queue.take(5, 10.0)))
    thread.start()
    arrival = Arrival("t", b"1", 1)
    queue.put(arrival, 0.0)
    thread.join(10.0)
    assert taken == [[arrival]]


def test_lingering_changes_neither_order_nor_number():
    """Whether it waits for more or not, a take gives the first ones in order and no more than asked for."""
    queue, arrivals = filled(5)
    assert queue.take(3, 0.0, 10.0) == arrivals[:3]
    assert queue.take(3, 0.0, 10.0) == arrivals[3:]
    assert queue.take(3, 0.0, 10.0) == []


def test_lingering_ends_at_the_capacity():
    """A full queue is handed out, however many more were asked for."""
    queue, arrivals = filled(4, capacity=4)
    assert queue.take(1_000, 0.0, 10.0) == arrivals


class TestStamp:
    """When a message first arrived."""

    def test_a_redelivery_keeps_its_first_stamp(self):
        """Same identifier, same content, marked as a duplicate: the same message."""
        queue = Arrivals(10)
        assert queue.stamp(1, "t", b"x", False, 100) == 100
        assert queue.stamp(1, "t", b"x", True, 500) == 100

    def test_the_same_content_anew_is_a_new_message(self):
        """An unchanged value sent again under the same identifier has its own time."""
        queue = Arrivals(10)
        queue.stamp(1, "t", b"x", False, 100)
        assert queue.stamp(1, "t", b"x", False, 500) == 500

    def test_other_content_is_another_message(self):
        """A duplicate of something never seen here is stamped now."""
        queue = Arrivals(10)
        queue.stamp(1, "t", b"x", False, 100)
        assert queue.stamp(1, "t", b"y", True, 500) == 500
        assert queue.stamp(2, "t", b"x", True, 500) == 500

    def test_identifiers_come_round_again(self):
        """After an hour the same identifier and content are no proof of the same message."""
        queue = Arrivals(10)
        queue.stamp(1, "t", b"x", False, 0)
        assert queue.stamp(1, "t", b"x", True, 3_600_000) == 3_600_000
