"""Whatever happens in whatever order, nobody is told twice and nothing that holds is forgotten."""

from __future__ import annotations

from collections import Counter

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.batch.sheet import Sheet
from monitor.errors import DeliveryError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.delivery import CourierPolicy, Post
from monitor.notify.notice import Notice
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Delivery, Occasion
from monitor.units import MS_PER_HOUR

KINDS = (AlertKind.STALLED, AlertKind.NUTRIENT_DUE, AlertKind.REFERMENTING)
SEVERITY = dict(zip(KINDS, (Severity.ACT, Severity.NOTE, Severity.DANGER), strict=True))


class Cellar(RuleBasedStateMachine):
    """One batch, one channel that may be down, a maker who acknowledges and silences."""

    @initialize()
    def begin(self) -> None:
        """An empty store and a working channel."""
        self.store = SqlStore(StoreOptions("sqlite://"))
        self.store.batches.start(Sheet("a", "A", 0), at_ms=0)
        self.now_ms = 0
        self.up = True
        self.firing: dict[AlertKind, AlertChange] = {}
        self.said: list[AlertChange] = []
        self.told: list[Delivery] = []
        self.start_post()

    def start_post(self) -> None:
        """The process is started: nothing but the store is remembered."""
        self.composed: Delivery | None = None
        self.name = "mail"
        self.post = Post(
            self.store,
            self,
            now_ms=lambda: self.now_ms,
            share=lambda: 0.5,
            policy=CourierPolicy(),
            compose=self.compose,
        )

    def compose(self, delivery: Delivery, _sheet: Sheet | None) -> Notice:
        """Remember what is being sent."""
        self.composed = delivery
        return Notice("t", "b", Severity.NOTE)

    def send(self, _notice: Notice) -> None:
        """The channel."""
        if not self.up:
            raise DeliveryError("down", retry=True)
        assert self.composed is not None
        self.told.append(self.composed)

    def record(self, change: AlertChange) -> None:
        """The pipeline says something."""
        self.said.append(change)
        self.store.alerts.record("a", change, channels=["mail"], now_ms=self.now_ms)

    @rule(kind=st.sampled_from(KINDS))
    def fire_or_resolve(self, kind: AlertKind) -> None:
        """An alert begins, or the one that fires ends."""
        self.now_ms += 1
        begun = self.firing.pop(kind, None)
        if begun is None:
            change = AlertChange(self.now_ms, kind, AlertState.FIRING, self.now_ms, SEVERITY[kind], "m")
            self.firing[kind] = change
        else:
            change = AlertChange(self.now_ms, kind, AlertState.RESOLVED, begun.fired_ms, SEVERITY[kind], "m")
        self.record(change)

    @rule()
    def restart(self) -> None:
        """The process starts anew, and its pipeline says all again."""
        self.start_post()
        for change in list(self.said):
            self.store.alerts.record("a", change, channels=["mail"], now_ms=self.now_ms)

    @rule(hours=st.integers(0, 50))
    def time_passes(self, hours: int) -> None:
        """The courier looks after a while."""
        self.now_ms += hours * MS_PER_HOUR
        self.post.deliver()

    @rule()
    def toggle(self) -> None:
        """The channel goes down or comes up."""
        self.up = not self.up

    @rule(hours=st.integers(1, 30))
    def silence(self, hours: int) -> None:
        """Hush everything for a while."""
        self.store.alerts.silence(from_ms=self.now_ms, until_ms=self.now_ms + hours * MS_PER_HOUR)

    @precondition(lambda self: self.firing)
    @rule(pick=st.integers(0, 9))
    def acknowledge(self, pick: int) -> None:
        """Someone has seen an alert."""
        open_ones = self.store.alerts.listed(only_firing=True)
        self.store.alerts.acknowledge(open_ones[pick % len(open_ones)].id, at_ms=self.now_ms)

    @invariant()
    def nothing_is_told_twice(self) -> None:
        """Of each alert every notice goes out once: the beginning, each reminder by number, the end."""
        counted = Counter((one.alert.id, one.occasion, one.turn) for one in self.told)
        assert all(count == 1 for count in counted.values())

    @invariant()
    def only_in_order(self) -> None:
        """No reminder or end without the beginning before it, and nothing but the end once acknowledged."""
        begun: set[int] = set()
        for one in self.told:
            if one.occasion is Occasion.FIRING:
                begun.add(one.alert.id)
            assert one.alert.id in begun
            if one.occasion is not Occasion.RESOLVED:
                assert one.alert.acknowledged_ms is None
                assert one.alert.state is AlertState.FIRING

    def teardown(self) -> None:
        """At last all is quiet and the channel works: whatever fires unseen has been told."""
        if not hasattr(self, "store"):
            return
        self.up = True
        self.now_ms += 60 * MS_PER_HOUR
        self.post.deliver()
        told = {one.alert.id for one in self.told if one.occasion is Occasion.FIRING}
        for alert in self.store.alerts.listed(only_firing=True):
            assert alert.id in told or alert.acknowledged_ms is not None
        assert all(one.due_ms > self.now_ms for one in self.store.outbox.waiting())
        self.nothing_is_told_twice()
        self.store.close()


TestCellar = Cellar.TestCase
TestCellar.settings = settings(max_examples=30, stateful_step_count=25, deadline=None)
