"""Whatever happens in whatever order, nobody is told twice and nothing that holds is forgotten."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, time

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.batch.sheet import Sheet
from monitor.errors import DeliveryError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.notify.grouping import Due
from monitor.notify.notice import Notice, Reason
from monitor.notify.post import CourierPolicy, Post
from monitor.notify.routing import QuietHours, Route
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Delivery, Occasion
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE

BATCHES = ("a", "b")
KINDS = (AlertKind.STALLED, AlertKind.NUTRIENT_DUE, AlertKind.REFERMENTING)
SEVERITY = dict(zip(KINDS, (Severity.ACT, Severity.NOTE, Severity.DANGER), strict=True))


class Cellar(RuleBasedStateMachine):
    """Two batches, one channel that may be down or quiet, a maker who acknowledges and silences."""

    @initialize()
    def begin(self) -> None:
        """An empty store and a working channel."""
        self.store = SqlStore(StoreOptions("sqlite://"))
        for slug in BATCHES:
            self.store.batches.start(Sheet(slug, slug.upper(), 0), at_ms=0)
        self.now_ms = 0
        self.up = True
        self.firing: dict[tuple[str, AlertKind], AlertChange] = {}
        self.over: list[tuple[str, AlertChange, AlertChange]] = []
        self.said: list[tuple[str, AlertChange]] = []
        self.told: list[Due] = []
        self.start_post()

    def start_post(self) -> None:
        """The process is started: nothing but the store is remembered."""
        self.composed: list[Due] = []
        self.name = "mail"
        self.post = Post(
            self.store,
            self,
            now_ms=lambda: self.now_ms,
            share=lambda: 0.5,
            policy=CourierPolicy(group_ms=MS_PER_MINUTE),
            route=Route(quiet=QuietHours(time(22), time(7), UTC)),
            compose=self.compose,
        )

    def compose(self, delivery: Delivery, sheet: Sheet | None, reason: Reason) -> Notice:
        """Remember what is being sent."""
        self.composed.append(Due(delivery, reason))
        return Notice("t", "b", Severity.NOTE)

    def send(self, _notice: Notice) -> None:
        """The channel."""
        composed, self.composed = self.composed, []
        if not self.up:
            raise DeliveryError("down", retry=True)
        assert composed
        self.told += composed

    def record(self, slug: str, change: AlertChange) -> None:
        """The pipeline says something."""
        self.said.append((slug, change))
        self.store.alerts.record(slug, change, channels=["mail"], now_ms=self.now_ms)

    @rule(slug=st.sampled_from(BATCHES), kind=st.sampled_from(KINDS))
    def fire_or_resolve(self, slug: str, kind: AlertKind) -> None:
        """An alert begins, or the one that fires ends."""
        self.now_ms += 1
        begun = self.firing.pop((slug, kind), None)
        if begun is None:
            change = AlertChange(self.now_ms, kind, AlertState.FIRING, self.now_ms, SEVERITY[kind], "m")
            self.firing[slug, kind] = change
        else:
            change = AlertChange(self.now_ms, kind, AlertState.RESOLVED, begun.fired_ms, SEVERITY[kind], "m")
            self.over.append((slug, begun, change))
        self.record(slug, change)

    @precondition(lambda self: self.over)
    @rule(pick=st.integers(0, 9))
    def fire_again(self, pick: int) -> None:
        """It turns out that an alert was over by mistake."""
        slug, begun, ended = self.over[pick % len(self.over)]
        if (slug, begun.kind) in self.firing:
            return
        self.now_ms += 1
        self.over.remove((slug, begun, ended))
        self.said.remove((slug, ended))
        self.firing[slug, begun.kind] = begun
        self.store.alerts.record(slug, begun, channels=["mail"], now_ms=self.now_ms, again=True)

    @rule()
    def restart(self) -> None:
        """The process starts anew, and its pipeline says all again."""
        self.start_post()
        for slug, change in list(self.said):
            self.store.alerts.record(slug, change, channels=["mail"], now_ms=self.now_ms)

    @rule(minutes=st.one_of(st.integers(0, 3), st.integers(0, 3_000)))
    def time_passes(self, minutes: int) -> None:
        """The courier looks after a while."""
        self.now_ms += minutes * MS_PER_MINUTE
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
        sent = [one.delivery for one in self.told]
        counted = Counter((one.alert.id, one.occasion, one.turn) for one in sent)
        assert all(count == 1 for count in counted.values())

    @invariant()
    def only_in_order(self) -> None:
        """No reminder or end without the beginning before it, nothing but the end once acknowledged, and
        after it was told as over nothing but that it fires again.
        """
        begun: set[int] = set()
        closed: set[int] = set()
        for one in self.told:
            alert, occasion = one.delivery.alert, one.delivery.occasion
            if occasion is Occasion.REMINDER:
                closed.discard(alert.id)
            assert alert.id not in closed
            if occasion is Occasion.FIRING:
                begun.add(alert.id)
            assert alert.id in begun
            if occasion is not Occasion.RESOLVED:
                assert alert.acknowledged_ms is None
                assert (alert.state is AlertState.RESOLVED) == (one.reason is Reason.MISSED)
            if one.reason in (Reason.MISSED, Reason.ENDED):
                closed.add(alert.id)

    def teardown(self) -> None:
        """At last all is quiet and the channel works: whatever fires unseen has been told."""
        if not hasattr(self, "store"):
            return
        self.up = True
        self.now_ms = (self.now_ms // MS_PER_DAY + 3) * MS_PER_DAY + 12 * MS_PER_HOUR  # a noon
        self.post.deliver()
        told: set[int] = set()
        for one in self.told:
            over = one.reason in (Reason.MISSED, Reason.ENDED)
            (told.discard if over else told.add)(one.delivery.alert.id)
        for alert in self.store.alerts.listed(only_firing=True):
            assert alert.id in told or alert.acknowledged_ms is not None
        assert all(one.due_ms > self.now_ms for one in self.store.outbox.waiting())
        self.nothing_is_told_twice()
        self.store.close()


TestCellar = Cellar.TestCase
TestCellar.settings = settings(max_examples=30, stateful_step_count=25)
