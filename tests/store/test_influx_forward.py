"""The forwarder against a server made of memory; real ones are in tests/integration/influx."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.gate import StoreOptions
from monitor.store.influx import Answer, InfluxServer, Verdict
from monitor.store.influx_forward import Forwarder, ForwardPolicy
from monitor.store.influx_lines import field_of
from monitor.store.influx_target import InfluxTarget
from monitor.store.sql import SqlStore
from monitor.store.values import Feed
from monitor.units import Quantity

OK = Answer(Verdict.ACCEPTED)


def _takes_all(_lines: Sequence[str]) -> Answer:
    return OK


@dataclass
class Memory:
    """A server that keeps lines and answers as it is told to."""

    answer: Callable[[Sequence[str]], Answer] = _takes_all
    kept: list[str] = field(default_factory=list)
    writes: list[int] = field(default_factory=list)
    target: str = "memory cellar/carboyd"
    closed: bool = False

    def write(self, lines: Sequence[str]) -> Answer:
        self.writes.append(len(lines))
        answer = self.answer(lines)
        if answer is OK:
            self.kept += lines
        return answer

    def close(self) -> None:
        self.closed = True


def readings(count: int, start: int = 0) -> list[Reading]:
    """So many of one float."""
    return [Reading("f", Quantity.GRAVITY, start + n, 1.0 + n / 1000, start + n) for n in range(count)]


def forwarder(store, server: Memory, **policy) -> Forwarder:
    """On a clock that stands still, with half the jitter."""
    return Forwarder(store, server, now_ms=lambda: 5, share=lambda: 0.5, policy=ForwardPolicy(**policy))


def test_batches_are_full_and_the_last_rests(store):
    """A full batch goes on at once, a short one waits; no line is written twice."""
    store.readings.commit(readings(25))
    server = Memory()
    sent = forwarder(store, server, most_lines=10, rest_s=5.0)
    assert [sent.step() for _ in range(4)] == [0.0, 0.0, 5.0, 5.0]
    assert server.writes == [10, 10, 5]
    assert len(set(server.kept)) == 25


def test_waits_grow_with_failures_and_end_with_success(store):
    """A random share of a doubling span up to a ceiling; one success begins anew."""
    store.readings.commit(readings(1))
    server = Memory(answer=lambda _lines: Answer(Verdict.AWAY, "no answer"))
    sent = forwarder(store, server, first_wait_s=1.0, longest_wait_s=6.0)
    assert [sent.step() for _ in range(6)] == [0.5, 1.0, 2.0, 3.0, 3.0, 3.0]
    server.answer = _takes_all
    sent.step()
    server.answer = lambda _lines: Answer(Verdict.AWAY, "no answer")
    store.readings.commit(readings(1, 50))
    assert sent.step() == 0.5


def test_a_trouble_is_written_down_once(store):
    """The same trouble again costs the store nothing."""
    store.readings.commit(readings(1))
    server = Memory(answer=lambda _lines: Answer(Verdict.AWAY, "no answer"))
    clock = iter(range(100, 200))
    sent = Forwarder(store, server, now_ms=lambda: next(clock), share=lambda: 0.5)
    for _ in range(3):
        sent.step()
    assert store.forwarding.state(server.target).trouble_ms == 100


def test_an_empty_store_asks_nothing_of_the_server(store):
    """No write without lines."""
    server = Memory()
    assert forwarder(store, server, rest_s=9.0).step() == 9.0
    assert server.writes == []


@settings(max_examples=10)
@given(bad=st.sets(st.integers(0, 39), max_size=39))
def test_exactly_the_bad_lines_are_set_aside(bad):
    """Whichever lines are refused, each good one is written once and each bad one is found alone."""

    def judge(lines: Sequence[str]) -> Answer:
        wrong = any(int(line.rsplit(" ", 1)[1]) in bad for line in lines)
        return Answer(Verdict.REFUSED, "bad") if wrong else OK

    with SqlStore(StoreOptions("sqlite://")) as store:
        store.readings.commit(readings(40))
        server = Memory(answer=judge)
        forwarder(store, server).step()
        assert sorted(int(line.rsplit(" ", 1)[1]) for line in server.kept) == sorted({*range(40)} - bad)
        aside = {int(one.line.rsplit(" ", 1)[1]) for one in store.forwarding.set_aside(server.target)}
        assert aside == bad
        assert store.forwarding.state(server.target).waiting[Feed.READINGS] == 0


def test_a_bad_line_alone_waits_for_company(store):
    """One line that is refused proves nothing of the server; with the next one it is set aside."""
    bad = "gravity_sg=1 0"
    server = Memory(
        answer=lambda lines: Answer(Verdict.REFUSED, "bad") if any(bad in line for line in lines) else OK
    )
    store.readings.commit(readings(1))
    sent = forwarder(store, server)
    sent.step()
    assert store.forwarding.state(server.target).set_aside == 0
    store.readings.commit(readings(1, 7))
    sent.step()
    assert [one.position for one in store.forwarding.set_aside(server.target)] == [1]
    assert len(server.kept) == 1


def test_after_everything_was_refused_little_is_asked(store):
    """The next try takes few lines, so that a server set up wrongly is not flooded; then all again."""
    store.readings.commit(readings(64))
    server = Memory(answer=lambda _lines: Answer(Verdict.REFUSED, "bad"))
    sent = forwarder(store, server, most_lines=32, fewest_lines=4)
    sent.step()
    assert len(server.writes) == 63
    server.writes.clear()
    sent.step()
    assert len(server.writes) == 7
    server.answer = _takes_all
    for _ in range(4):
        sent.step()
    assert server.writes[7:] == [4, 32, 28]


def test_recomputed_values_that_were_not_sent_yet_are_sent_once(store):
    """Only what the server has already is sent again; the rest goes its usual way."""
    store.readings.commit(readings(20))
    server = Memory()
    sent = forwarder(store, server, most_lines=10)
    sent.step()
    store.readings.replace_derived([Reading("f", Quantity.GRAVITY, n, 1.5, n) for n in (3, 15)], at_ms=1)
    while sent.step() == 0.0:
        pass
    again = [line for line in server.kept if "=1.5 " in line]
    assert sorted(again) == ["reading,sensor=f gravity_sg=1.5 15", "reading,sensor=f gravity_sg=1.5 3"]


def test_recomputed_values_wait_while_everything_is_refused(store):
    """The server may be set up wrongly: it is said, little is tried, and all arrive once it is mended."""
    store.readings.commit(readings(8))
    server = Memory()
    sent = forwarder(store, server, most_lines=10, fewest_lines=2)
    sent.step()
    sent.step()
    store.readings.replace_derived([Reading("f", Quantity.GRAVITY, n, 1.5, n) for n in range(8)], at_ms=1)
    server.answer = lambda _lines: Answer(Verdict.REFUSED, "no such bucket")
    assert all(sent.step() > 0.0 for _ in range(3))
    assert "no such bucket" in sent.trouble
    assert "no such bucket" in store.forwarding.state(server.target).trouble
    assert store.forwarding.set_aside(server.target) == []
    assert server.writes[-1] <= 2
    server.answer = _takes_all
    while sent.step() == 0.0:
        pass
    assert sum("=1.5 " in line for line in server.kept) == 8
    assert sent.trouble == store.forwarding.state(server.target).trouble == ""


@pytest.mark.parametrize("bad", [{3}, set(range(8))])
def test_recomputed_values_that_the_server_will_not_have_are_set_aside(store, bad):
    """It takes others, be it only others than these: what it refuses is put by, and the rest goes on."""
    store.readings.commit([*readings(8), Reading("g", Quantity.GRAVITY, 90, 1.02, 90)])
    server = Memory()
    sent = forwarder(store, server)
    sent.step()
    sent.step()
    store.readings.replace_derived([Reading("f", Quantity.GRAVITY, n, 1.5, n) for n in range(8)], at_ms=1)
    server.answer = lambda lines: (
        Answer(Verdict.REFUSED, "too old")
        if any("=1.5 " in line and int(line.rsplit(" ", 1)[1]) in bad for line in lines)
        else OK
    )
    store.readings.commit([Reading("g", Quantity.GRAVITY, 91, 1.02, 91)])
    while sent.step() == 0.0:
        pass
    aside = {int(one.line.rsplit(" ", 1)[1]) for one in store.forwarding.set_aside(server.target)}
    assert aside == bad
    assert sum("=1.5 " in line for line in server.kept) == 8 - len(bad)
    assert server.kept[-1].endswith(" 91")
    assert sent.trouble == ""


def test_a_list_of_changes_that_is_too_short_has_all_sent_again(store):
    """Where more was changed than is remembered, every reading is forwarded anew."""
    store.readings.commit(readings(3))
    server = Memory()
    sent = forwarder(store, server)
    sent.step()
    sent.step()
    store.changes.set_mark(f"rederived@{server.target}", -20_000)
    while sent.step() == 0.0:
        pass
    assert len(server.kept) == 6


def test_the_thread_forwards_until_it_is_stopped(store):
    """What comes in while it runs goes out, and stopping closes the connection."""
    done = threading.Event()

    def judge(lines: Sequence[str]) -> Answer:
        if any("gravity_sg=1.029" in line for line in lines):
            done.set()
        return OK

    server = Memory(answer=judge)
    sent = forwarder(store, server, rest_s=0.01)
    sent.start()
    store.readings.commit(readings(30))
    assert done.wait(20)
    sent.stop(20)
    assert server.closed
    assert len(server.kept) == 30


@dataclass
class Failing:
    """A store that cannot be reached the first times it is asked."""

    store: SqlStore
    failures: int
    asked: int = 0

    @property
    def forwarding(self):
        self.asked += 1
        if self.asked <= self.failures:
            raise StoreUnavailableError("the store is kept busy")
        return self.store.forwarding

    def __getattr__(self, name: str):
        return getattr(self.store, name)


def test_a_store_that_fails_does_not_end_the_thread(store, caplog):
    """The store's trouble is said once, and forwarding goes on when it is over."""
    store.readings.commit(readings(3))
    done = threading.Event()

    def judge(_lines: Sequence[str]) -> Answer:
        done.set()
        return OK

    server, failing = Memory(answer=judge), Failing(store, 3)
    sent = Forwarder(failing, server, now_ms=lambda: 5, share=lambda: 0.5, policy=ForwardPolicy(rest_s=0.01))
    sent.start()
    assert done.wait(20)
    sent.stop(20)
    assert len(server.kept) == 3
    assert caplog.text.count("kept busy") == 1


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_quantity_has_a_field_with_its_unit(quantity):
    """Field names are the quantity's own and end in its unit."""
    assert field_of(quantity).startswith(str(quantity))
    assert len(field_of(quantity).removeprefix(str(quantity))) > 1


def test_nothing_that_listens_is_an_answer_too():
    """A refused connection is no exception but a reason to wait."""
    server = InfluxServer(InfluxTarget("http://127.0.0.1:1", "secret-token", "cellar", "carboyd"))
    answer = server.write(["reading,sensor=f gravity_sg=1 1"])
    server.close()
    assert answer.verdict is Verdict.AWAY
    assert answer.reason.startswith("no answer: Failed to establish a new connection")
    assert answer.reason.endswith("Connection refused")
    assert "secret-token" not in answer.reason + repr(InfluxTarget("http://h", "secret-token", "o", "b"))
