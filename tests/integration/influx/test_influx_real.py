"""Forwarding to real servers: written through influxdb-client, read back by InfluxQL and by export.

InfluxDB 1.6.7 and VictoriaMetrics 1.79 from Debian. Answers that only a server of the second generation
gives are recorded shapes of its documented API (InfluxDB OSS v2 API reference, "Write data": 204, 400, 401,
404, 413, 422, 429 with Retry-After, 500, 503), from memory.
"""

from __future__ import annotations

import json
import logging
import random
import urllib.parse

import pytest

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Phase, Severity
from monitor.ferment.event import Reading
from monitor.ferment.skew import TimeFlag
from monitor.store.gate import StoreOptions
from monitor.store.influx_forward import Forwarder, ForwardPolicy
from monitor.store.sql import SqlStore
from monitor.store.values import Feed, Level, PhaseStep
from monitor.units import MS_PER_HOUR, MS_PER_MINUTE, Quantity

from .conftest import TOKEN, asked

START_MS = 1_764_000_000_000
ODD = ["float a", "float,b", "float=c", 'flo"at', "Flöße-µ", "back\\slash", "ends\\", "#hash", "'quote'"]


def gravity(number: int, sensor: str = "float-a") -> Reading:
    """The reading of a quarter of an hour."""
    time_ms = START_MS + number * 15 * MS_PER_MINUTE
    return Reading(sensor, Quantity.GRAVITY, time_ms, round(1.080 - number * 1e-5, 5), time_ms + 40)


def forwarder(store, server, most_lines: int = 500) -> Forwarder:
    """One that never waits long."""
    policy = ForwardPolicy(most_lines=most_lines, fewest_lines=10)
    return Forwarder(store, server, now_ms=lambda: START_MS, share=lambda: 0.0, policy=policy)


def run_dry(one: Forwarder, most: int = 200) -> None:
    """Step until nothing waits; no sleep, whatever it says."""
    for _ in range(most):
        if one.step() == ForwardPolicy().rest_s and not one.trouble:
            return
    raise AssertionError(f"still not done: {one.trouble}")


def kept(influx) -> dict[int, float]:
    """Gravities of float-a on the server."""
    rows = influx.query("SELECT gravity_sg FROM reading WHERE sensor = 'float-a'")
    assert len({row["time"] for row in rows}) == len(rows)
    return {row["time"]: row["gravity_sg"] for row in rows}


def wanted(count: int) -> dict[int, float]:
    """What should be there of so many."""
    return {gravity(number).time_ms: gravity(number).value for number in range(count)}


class TestWhole:
    """All four measurements as they are read back."""

    def test_everything_that_was_kept_is_read_back(self, store, door, influx, server):
        """Readings of oddly named sensors, a level, a phase and an alert come back value for value."""
        store.batches.start(Sheet("orchard", "Orchard", START_MS, gravity_sensor="float-a"), at_ms=START_MS)
        store.readings.commit([gravity(number, sensor) for sensor in ODD for number in range(3)])
        store.readings.commit([Reading("probe", Quantity.TEMPERATURE, START_MS, 0.0, START_MS)])
        level = Level("orchard", START_MS, Phase.ACTIVE, {"gravity_sg": 1.0712, "fall_points_per_day": -0.0})
        step = PhaseStep("orchard", START_MS, Phase.ACTIVE, 'falls "3.1" points a day,\nsince = noon')
        store.chronicle.keep([level], [step])
        for state, at_ms in ((AlertState.FIRING, START_MS), (AlertState.RESOLVED, START_MS + MS_PER_HOUR)):
            change = AlertChange(
                at_ms, AlertKind.STALLED, state, START_MS, Severity.ACT, f"It is {state}.", "float-a"
            )
            store.alerts.record("orchard", change, now_ms=at_ms)
        run_dry(forwarder(store, server(door.url)))
        found = {
            (row["sensor"], row["time"], row["gravity_sg"])
            for row in influx.query("SELECT gravity_sg FROM reading GROUP BY sensor")
        }
        # a tag cannot end in a backslash: influxdb-client puts a space behind it, which the server then joins
        names = {name: name[:-1] + " " if name.endswith("\\") else name for name in ODD}
        assert found == {
            (names[name], gravity(number).time_ms, gravity(number).value)
            for name in ODD
            for number in range(3)
        }
        assert [row["temperature_c"] for row in influx.query("SELECT temperature_c FROM reading")] == [0.0]
        (row,) = influx.query("SELECT * FROM level")
        assert row == {
            "time": START_MS,
            "batch": "orchard",
            "phase": "active",
            "gravity_sg": 1.0712,
            "fall_points_per_day": 0.0,
        }
        (row,) = influx.query("SELECT * FROM phase")
        assert (row["batch"], row["phase"], row["reason"]) == ("orchard", "active", step.reason)
        rows = influx.query("SELECT * FROM alert")
        assert [(row["moment"], row["firing"], row["time"] - START_MS) for row in rows] == [
            ("firing", True, 0),
            ("resolved", False, MS_PER_HOUR),
        ]
        assert {(row["kind"], row["subject"], row["severity"]) for row in rows} == {
            ("stalled", "float-a", "act")
        }
        assert [row["message"] for row in rows] == ["It is firing.", "It is resolved."]
        state = store.forwarding.state(f"{door.url} cellar/carboyd")
        assert set(state.waiting.values()) == {0}
        assert (state.set_aside, state.trouble, state.accepted_ms) == (0, "", START_MS)

    def test_readings_of_a_time_that_is_not_believed_stand_apart(self, store, door, influx, server):
        """A clock that is wrong by decades does not stretch the charts."""
        far = Reading("float-a", Quantity.GRAVITY, 4_000_000_000_000, 1.05, START_MS)
        store.readings.commit([gravity(0), far], flags=[TimeFlag.OK, TimeFlag.FUTURE])
        run_dry(forwarder(store, server(door.url)))
        assert kept(influx) == wanted(1)
        (row,) = influx.query("SELECT * FROM reading_doubtful")
        assert (row["time"], row["gravity_sg"]) == (4_000_000_000_000, 1.05)

    def test_late_and_recomputed_readings_arrive_too(self, store, door, influx, server):
        """An old reading that comes late is forwarded, and a value computed anew replaces the first."""
        sent = forwarder(store, server(door.url))
        store.readings.commit([gravity(number) for number in range(10, 20)])
        run_dry(sent)
        store.readings.commit([gravity(number) for number in range(10)])
        run_dry(sent)
        assert kept(influx) == wanted(20)
        better = Reading("float-a", Quantity.GRAVITY, gravity(4).time_ms, 1.0123, START_MS)
        store.readings.replace_derived([better], at_ms=START_MS)
        run_dry(sent)
        assert kept(influx) == wanted(20) | {better.time_ms: 1.0123}


class TestTroubles:
    """Nothing is lost and nothing doubled."""

    def test_an_outage_in_the_middle_loses_and_doubles_nothing(self, store, door, influx, server):
        """The server goes away after some batches, readings go on coming, it returns on its own time."""
        sent = forwarder(store, server(door.url))
        store.readings.commit([gravity(number) for number in range(2_000)])
        sent.step()
        sent.step()
        assert len(kept(influx)) == 1_000
        door.shut()
        for hour in range(4):
            sent.step()
            assert sent.trouble
            store.readings.commit([gravity(2_000 + 4 * hour + number) for number in range(4)])
        state = store.forwarding.state(f"{door.url} cellar/carboyd")
        assert state.waiting[Feed.READINGS] == 1_016
        assert state.oldest_ms == gravity(1_000).received_ms
        assert state.trouble == sent.trouble
        door.open()
        run_dry(sent)
        assert kept(influx) == wanted(2_016)
        assert store.forwarding.state(f"{door.url} cellar/carboyd").trouble == ""

    def test_a_restart_in_the_middle_goes_on_where_it_was(self, store, door, influx, server, tmp_path):
        """A new process on the same store sends each batch once; what was on its way is sent again whole."""
        store.readings.commit([gravity(number) for number in range(1_200)])
        forwarder(store, server(door.url)).step()
        door.cut.append(True)  # the server has it, and the process dies before it knows
        forwarder(store, server(door.url)).step()
        assert len(kept(influx)) == 1_000
        with SqlStore(StoreOptions(f"sqlite:///{tmp_path}/carboyd.sqlite")) as again:
            assert again.forwarding.positions(f"{door.url} cellar/carboyd")[Feed.READINGS] == 500
            run_dry(forwarder(again, server(door.url)))
        assert kept(influx) == wanted(1_200)
        assert [body.count(b"\n") + 1 for _, body in door.seen] == [500, 500, 500, 200]

    def test_a_point_the_server_refuses_is_set_aside_with_its_reason(self, store, door, influx, server):
        """One field of another type on the server: those lines stand aside, every other one is there."""
        taken = f'reading,sensor=other battery_percent="full" {START_MS}'
        urllib_post(f"{influx.url}/write?db=carboyd&precision=ms", taken.encode())
        bad = [
            Reading("float-a", Quantity.BATTERY, START_MS + number, 80.0 + number, START_MS)
            for number in (1, 2)
        ]
        good = [gravity(number) for number in range(300)]
        store.readings.commit([*good[:100], bad[0], *good[100:250], bad[1], *good[250:]])
        sent = forwarder(store, server(door.url))
        run_dry(sent)
        assert kept(influx) == wanted(300)
        target = f"{door.url} cellar/carboyd"
        aside = store.forwarding.set_aside(target)
        assert [(one.feed, one.line.split(" ")[1]) for one in aside] == [
            (Feed.READINGS, "battery_percent=82"),
            (Feed.READINGS, "battery_percent=81"),
        ]
        assert all("field type conflict" in one.reason for one in aside)
        assert store.forwarding.state(target).set_aside == 2
        assert set(store.forwarding.state(target).waiting.values()) == {0}

    @pytest.mark.parametrize("seed", range(3))
    def test_any_mixture_of_troubles_ends_with_everything_there_once(self, store, door, influx, server, seed):
        """Outages, lost answers, refusals of service and restarts in random order change nothing."""
        chance = random.Random(seed)
        count = 0
        sent = forwarder(store, server(door.url), most_lines=40)
        for _ in range(25):
            store.readings.commit([gravity(count + number) for number in range(chance.randrange(30))])
            count = len(store.readings.read(["float-a"]))
            match chance.randrange(5):
                case 0:
                    door.shut()
                    sent.step()
                    door.open()
                case 1:
                    door.cut.append(True)
                case 2:
                    door.answers.append((chance.choice([500, 503, 429, 401, 404, 408]), {}, b"no"))
                case 3:
                    sent = forwarder(store, server(door.url), most_lines=40)
            sent.step()
        run_dry(sent)
        assert kept(influx) == wanted(count)


def urllib_post(url: str, body: bytes) -> None:
    """Post bytes as they are."""
    import urllib.request

    with urllib.request.urlopen(urllib.request.Request(url, data=body), timeout=10):  # noqa: S310
        pass


class TestRecordedAnswers:
    """Answers in the shape of the documented v2 interface."""

    @pytest.mark.parametrize(
        ("status", "headers", "body"),
        [
            (401, {}, {"code": "unauthorized", "message": "unauthorized access"}),
            (404, {}, {"code": "not found", "message": 'bucket "carboyd" not found'}),
            (429, {"Retry-After": "7"}, {"code": "too many requests", "message": "exceeded rate limit"}),
            (500, {}, {"code": "internal error", "message": "unexpected error writing points to database"}),
            (503, {"Retry-After": "7"}, {"code": "unavailable", "message": "service unavailable"}),
        ],
    )
    def test_a_fault_that_is_not_the_datas_keeps_everything(
        self, store, door, influx, server, status, headers, body
    ):
        """Nothing moves and nothing is set aside; a server that names a time gets it."""
        store.readings.commit([gravity(0)])
        door.answers.append((status, headers, json.dumps(body).encode()))
        sent = forwarder(store, server(door.url))
        rest_s = sent.step()
        assert rest_s == (7.0 if headers else 0.5)
        assert f"{status} {body['message']}" in sent.trouble
        state = store.forwarding.state(f"{door.url} cellar/carboyd")
        assert (state.waiting[Feed.READINGS], state.set_aside) == (1, 0)
        run_dry(sent)
        assert kept(influx) == wanted(1)

    @pytest.mark.parametrize(
        ("status", "headers"), [(200, {}), (302, {"Location": "http://127.0.0.1:1/"}), (405, {})]
    )
    def test_a_page_that_is_no_such_server_accepts_nothing(
        self, store, door, influx, server, status, headers
    ):
        """A sign-in page of a network, say: only 204 is a write's success, and no redirect gets the token."""
        store.readings.commit([gravity(0)])
        door.answers.append((status, headers, b"<html>please sign in</html>"))
        sent = forwarder(store, server(door.url))
        sent.step()
        assert str(status) in sent.trouble
        assert store.forwarding.state(f"{door.url} cellar/carboyd").waiting[Feed.READINGS] == 1
        run_dry(sent)
        assert kept(influx) == wanted(1)

    def test_where_everything_is_refused_nothing_is_set_aside(self, store, door, influx, server):
        """A server that calls every line bad may be set up wrongly: the lines wait until it takes some."""
        store.readings.commit([gravity(number) for number in range(5)])
        no = json.dumps({"code": "invalid", "message": "no such thing"}).encode()
        door.answers += [(400, {}, no)] * 9
        sent = forwarder(store, server(door.url))
        sent.step()
        assert "everything is refused: 400 no such thing" in sent.trouble
        assert store.forwarding.state(f"{door.url} cellar/carboyd").waiting[Feed.READINGS] == 5
        run_dry(sent)
        assert kept(influx) == wanted(5)

    def test_the_token_is_sent_and_never_told(self, store, door, influx, server, caplog):
        """Not in logs at their most talkative, nor in the trouble kept, though the server repeats it."""
        caplog.set_level(logging.DEBUG)
        store.readings.commit([gravity(0)])
        echo = json.dumps({"code": "unauthorized", "message": f"bad token {TOKEN}"}).encode()
        door.answers += [(401, {"X-Platform-Error-Code": TOKEN}, echo), (400, {}, echo)]
        sent = forwarder(store, server(door.url))
        sent.step()
        shown = sent.trouble
        sent.step()
        door.shut()
        sent.step()
        assert door.authorizations == {f"Token {TOKEN}"}
        assert "bad token ..." in shown
        told = [caplog.text, shown, sent.trouble, repr(server(door.url)), repr(sent)]
        told.append(store.forwarding.state(f"{door.url} cellar/carboyd").trouble)
        assert not any(TOKEN in words for words in told)


class TestVictoria:
    """The other server that Debian has; it takes the v2 write interface itself."""

    def test_what_was_forwarded_is_exported_again(self, store, victoria, server):
        """Each reading once, over a restart of the forwarder, by the server's own export."""
        store.readings.commit([gravity(number) for number in range(1_100)])
        forwarder(store, server(victoria.url)).step()
        run_dry(forwarder(store, server(victoria.url)))
        asked(f"{victoria.url}/internal/force_flush")
        match = urllib.parse.quote('{__name__="reading_gravity_sg"}')
        lines = asked(f"{victoria.url}/api/v1/export?match[]={match}").splitlines()
        found = [json.loads(line) for line in lines]
        assert {one["metric"]["sensor"] for one in found} == {"float-a"}
        pairs = [pair for one in found for pair in zip(one["timestamps"], one["values"], strict=True)]
        assert len(pairs) == 1_100
        assert dict(pairs) == wanted(1_100)
