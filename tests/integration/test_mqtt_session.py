"""The subscriber on a real Mosquitto: nothing is lost while either side is away."""

from __future__ import annotations

import threading

import pytest

from monitor.sensors.arrivals import Arrival
from monitor.sensors.mqtt import Subscriber

pytestmark = pytest.mark.mosquitto

TOPIC = "carboyd/readings/float-a"
WAIT_S = 10.0
STAMP_MS = 1_764_000_000_000


def collect(subscriber: Subscriber, count: int, wait_s: float = WAIT_S) -> list[Arrival]:
    """The next arrivals, without acknowledging them."""
    taken: list[Arrival] = []
    while len(taken) < count:
        some = subscriber.take(count - len(taken), wait_s)
        if not some:
            break
        taken += some
    return taken


def drained(subscriber: Subscriber, count: int) -> list[int]:
    """The numbers of the next arrivals, each acknowledged: more than the window holds may come."""
    seen: list[int] = []
    while len(seen) < count:
        some = subscriber.take(200, WAIT_S)
        if not some:
            break
        subscriber.acknowledge(some)
        seen += numbers(some)
    return seen


def numbers(arrivals: list[Arrival]) -> list[int]:
    return [int(arrival.payload) for arrival in arrivals]


def test_what_was_queued_while_the_subscriber_was_down_arrives_after(mosquitto, publisher, subscriber):
    """A new process with the same identifier gets all that was sent while there was none."""
    broker = mosquitto()
    first = subscriber(broker)
    first.stop()
    publisher(broker).send(TOPIC, *[b"%d" % n for n in range(2_500)])
    second = subscriber(broker)
    assert drained(second, 2_500) == list(range(2_500))
    assert second.state.session_present is True


def test_only_what_was_acknowledged_stays_away(mosquitto, publisher, subscriber):
    """Messages taken but not acknowledged come again after a reconnect, in order; the others do not."""
    broker = mosquitto()
    one = subscriber(broker)
    publisher(broker).send(TOPIC, *[b"%d" % n for n in range(10)])
    taken = collect(one, 10)
    one.acknowledge(taken[:4])
    one.stop()
    again = subscriber(broker)
    assert numbers(collect(again, 6)) == [4, 5, 6, 7, 8, 9]
    assert again.take(1, 0.2) == []


def test_a_reconnect_on_purpose_brings_the_unacknowledged_again(mosquitto, publisher, subscriber):
    """After a failed commit, `reconnect` makes the same messages come again with their first stamp."""
    clock = iter(range(STAMP_MS, STAMP_MS + 1_000))
    broker = mosquitto()
    one = subscriber(broker, now_ms=lambda: next(clock))
    publisher(broker).send(TOPIC, b"0", b"1", b"2")
    first = collect(one, 3)
    one.acknowledge(first[:1])
    assert broker.wait_for_log("Received PUBACK from carboyd-test (Mid: 1,", WAIT_S)
    one.reconnect()
    second = collect(one, 2)
    assert numbers(second) == [1, 2]
    assert [a.received_ms for a in second] == [a.received_ms for a in first[1:]]
    one.acknowledge(first)  # the old connection's tokens are void
    assert one.state.unacknowledged == 2
    one.acknowledge(second)
    assert one.state.unacknowledged == 0
    assert broker.wait_for_log("Received PUBACK from carboyd-test (Mid: 3,", WAIT_S)
    one.reconnect()
    publisher(broker).send(TOPIC, b"3")
    assert numbers(collect(one, 1)) == [3]


def test_acknowledgements_leave_in_the_order_of_arrival(mosquitto, publisher, subscriber):
    """Acknowledging the second message alone leaves both with the broker."""
    broker = mosquitto()
    one = subscriber(broker)
    publisher(broker).send(TOPIC, b"0", b"1", b"2")
    taken = collect(one, 3)
    one.acknowledge(taken[1:2])
    assert one.state.unacknowledged == 3
    one.stop()
    assert numbers(collect(subscriber(broker), 3)) == [0, 1, 2]


def test_the_broker_may_restart_with_messages_queued(mosquitto, publisher, subscriber):
    """A broker that stops and starts again loses neither the session nor what waits in it."""
    broker = mosquitto()
    one = subscriber(broker)
    one.stop()
    sender = publisher(broker)
    sender.send(TOPIC, *[b"%d" % n for n in range(300)])
    broker.stop()
    broker.start()
    two = subscriber(broker)
    assert numbers(collect(two, 300)) == list(range(300))


def test_a_running_subscriber_survives_a_broker_that_is_killed(mosquitto, publisher, subscriber):
    """It connects again by itself, subscribes again, and says whether its session was kept."""
    broker = mosquitto()
    one = subscriber(broker)
    broker.kill()
    broker.start()
    assert broker.wait_for_log("Sending SUBACK to carboyd-test", WAIT_S)
    publisher(broker).send(TOPIC, b"7")
    assert numbers(collect(one, 1)) == [7]
    assert one.state.connections == 2


def test_a_session_outlives_the_connection_by_its_expiry_only(mosquitto, publisher, subscriber):
    """With an expiry of 0 nothing is kept: the property is what keeps the session, not the identifier."""
    broker = mosquitto()
    one = subscriber(broker, session_expiry_s=0)
    one.stop()
    publisher(broker).send(TOPIC, b"1")
    two = subscriber(broker, session_expiry_s=0)
    assert two.state.session_present is False
    assert two.take(1, 0.2) == []


def test_the_receive_window_bounds_what_is_under_way(mosquitto, publisher, subscriber):
    """The broker sends no more than Receive Maximum before the first acknowledgement."""
    broker = mosquitto()
    one = subscriber(broker, receive_maximum=5)
    publisher(broker).send(TOPIC, *[b"%d" % n for n in range(12)])
    taken = collect(one, 12, wait_s=0.5)
    assert numbers(taken) == [0, 1, 2, 3, 4]
    one.acknowledge(taken)
    assert numbers(collect(one, 5)) == [5, 6, 7, 8, 9]


def test_a_full_queue_loses_nothing(mosquitto, publisher, subscriber):
    """What finds the queue full stays with the broker and comes once the queue is empty, in order."""
    broker = mosquitto()
    one = subscriber(broker, queue_size=10, full_wait_s=0.0)
    publisher(broker).send(TOPIC, *[b"%d" % n for n in range(100)])
    # nothing is taken before the queue has run over: a quick reader would keep it from filling
    pause = threading.Event()
    for _ in range(int(WAIT_S / 0.001)):
        if one.state.turned_away > 0:
            break
        pause.wait(0.001)
    assert one.state.turned_away > 0
    seen: list[int] = []
    while len(seen) < 100:
        some = one.take(3, WAIT_S)
        assert some, one.state
        one.acknowledge(some)
        seen += [n for n in numbers(some) if n not in seen]
    assert seen == list(range(100))
