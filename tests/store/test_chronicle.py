"""Levels, phases and what happened to alerts, on every engine."""

from __future__ import annotations

import pytest
from sqlalchemy import event

from monitor.errors import StoreError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Phase, Severity
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import AlertMoment, Level, PhaseStep


def level(at_ms: int, gravity_sg: float = 1.04) -> Level:
    """A look at the orchard batch."""
    return Level("orchard-session", at_ms, Phase.ACTIVE, {"gravity_sg": gravity_sg, "temperature_c": 0.0})


def change(state: AlertState, at_ms: int, fired_ms: int = 10) -> AlertChange:
    """Something said of a stall."""
    return AlertChange(at_ms, AlertKind.STALLED, state, fired_ms, Severity.ACT, str(state))


class TestLooks:
    """Levels and phases."""

    def test_they_come_back_in_the_order_of_writing(self, store, orchard):
        """A level of an earlier time that was written later comes later; a zero stays a zero."""
        step = PhaseStep("orchard-session", 3, Phase.LAG, "no fall yet")
        store.chronicle.keep([level(5), level(9)], [step])
        store.chronicle.keep([level(7)], [])
        found = store.chronicle.levels_after(0, 10)
        assert [look for _, look in found] == [level(5), level(9), level(7)]
        assert store.chronicle.levels_after(found[0][0], 1) == [found[1]]
        assert [one for _, one in store.chronicle.phases_after(0, 10)] == [step]
        assert store.chronicle.last_level_ms("orchard-session") == 9

    def test_what_was_judged_first_stays(self, store, orchard):
        """The same look again, after a restart say, changes nothing and gets no position."""
        store.chronicle.keep([level(5, 1.04)], [PhaseStep("orchard-session", 5, Phase.LAG, "a")])
        store.chronicle.keep([level(5, 1.03), level(6)], [PhaseStep("orchard-session", 5, Phase.ACTIVE, "b")])
        assert [look for _, look in store.chronicle.levels_after(0, 10)] == [level(5, 1.04), level(6)]
        assert [one.reason for _, one in store.chronicle.phases_after(0, 10)] == ["a"]

    def test_a_batch_that_is_not_there_is_an_error(self, store):
        """Nothing is written down of nobody."""
        with pytest.raises(StoreError):
            store.chronicle.keep([level(5)], [])
        assert store.chronicle.last_level_ms("orchard-session") is None

    def test_many_old_levels_go_in_portions(self, url, store, orchard):
        """No transaction takes more than its portion, so that writers are let in between, and all go."""
        store.chronicle.keep([level(at_ms) for at_ms in range(1, 8)], [])
        last = store.chronicle.levels_after(0, 10)[-1][0]
        ended: list[object] = []
        with SqlStore(StoreOptions(url, rows_at_once=2)) as pruning:
            event.listen(pruning._gate.engine, "commit", ended.append)
            assert pruning.chronicle.prune_levels(100, last) == 6
            assert len(ended) == 4
        assert [look.at_ms for _, look in store.chronicle.levels_after(0, 10)] == [7]

    def test_old_levels_go_once_forwarded_and_the_newest_stays(self, store, orchard):
        """Pruning takes what is old and forwarded; the last position is never given out again."""
        store.chronicle.keep([level(at_ms) for at_ms in range(1, 7)], [])
        positions = [position for position, _ in store.chronicle.levels_after(0, 10)]
        assert store.chronicle.prune_levels(4, positions[1]) == 2
        assert store.chronicle.prune_levels(100, positions[-1]) == 3
        assert [position for position, _ in store.chronicle.levels_after(0, 10)] == positions[-1:]
        store.chronicle.keep([level(8)], [])
        assert store.chronicle.levels_after(positions[-1], 10)[0][0] > positions[-1]


class TestAlertSteps:
    """What happened to alerts."""

    def test_each_thing_is_written_down_once(self, store, orchard):
        """Fires, is acknowledged, is over: three steps, however often each is said."""
        for _ in range(2):
            store.alerts.record("orchard-session", change(AlertState.FIRING, 10), now_ms=10)
        (alert,) = store.alerts.listed()
        for at_ms in (12, 13):
            store.alerts.acknowledge(alert.id, at_ms=at_ms)
        for _ in range(2):
            store.alerts.record("orchard-session", change(AlertState.RESOLVED, 20), now_ms=20)
        store.alerts.withdraw(alert.id, at_ms=30, why="again")
        steps = [step for _, step in store.chronicle.alerts_after(0, 10)]
        assert [(step.moment, step.at_ms) for step in steps] == [
            (AlertMoment.FIRING, 10),
            (AlertMoment.ACKNOWLEDGED, 12),
            (AlertMoment.RESOLVED, 20),
        ]
        assert {step.alert.id for step in steps} == {alert.id}

    def test_an_alert_first_heard_of_when_over_has_both_ends(self, store, orchard):
        """It fired and it is over, each at its own time; one withdrawn is over too."""
        store.alerts.record("orchard-session", change(AlertState.RESOLVED, 20), now_ms=20)
        store.alerts.record("orchard-session", change(AlertState.FIRING, 40, 40), now_ms=40)
        newest = store.alerts.listed()[0]
        store.alerts.withdraw(newest.id, at_ms=50, why="the batch was ended")
        steps = [step for _, step in store.chronicle.alerts_after(0, 10)]
        assert [(str(step.moment), step.at_ms) for step in steps] == [
            ("firing", 10),
            ("resolved", 20),
            ("firing", 40),
            ("resolved", 50),
        ]
