"""The store out of reach for a moment amid the watch's work: in the end all is as if it had not been."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest

from monitor.batch.journal import entry, hand_sample
from monitor.chronicle import Chronicle
from monitor.errors import StoreUnavailableError
from monitor.ferment.emission import AlertKind
from monitor.ferment.event import JournalKind, Reading
from monitor.ferment.premise import Yeast
from monitor.hub.discovery import HubPolicy
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity
from monitor.watch import Watch, WatchPolicy

from .porch import PITCHED_MS, PORCH

SHED = replace(PORCH, slug="shed", name="Shed", gravity_sensor="float-b", temperature_sensor="float-b")
WRITES = {
    "SqlAlerts.record",
    "SqlAlerts.withdraw",
    "SqlChanges.set_mark",
    "SqlCheckpoints.drop",
    "SqlChronicle.keep",
    "SqlStandings.drop",
    "SqlStandings.put",
}


class Shaky:
    """A store of which one call fails, before or after its work was done; the others are counted."""

    def __init__(self, store: SqlStore, fails_at: int | None, *, after: bool) -> None:
        self.calls: list[str] = []
        self._store = store
        self._fails_at = fails_at
        self._after = after

    def __getattr__(self, name: str) -> Any:
        """A part of the store."""
        return Part(self, getattr(self._store, name))

    def call(self, method: Callable[..., Any], *arguments: Any, **named: Any) -> Any:
        """One call."""
        self.calls.append(method.__qualname__)
        fails = len(self.calls) == self._fails_at
        if fails and not self._after:
            raise StoreUnavailableError("kept busy by another program")
        answer = method(*arguments, **named)
        if fails:
            raise StoreUnavailableError("the connection broke before the answer")
        return answer


class Part:
    """A part of such a store."""

    def __init__(self, shaky: Shaky, part: Any) -> None:
        self._shaky = shaky
        self._part = part

    def __getattr__(self, name: str) -> Callable[..., Any]:
        """A method of the part."""
        method = getattr(self._part, name)
        return lambda *arguments, **named: self._shaky.call(method, *arguments, **named)


class Days:
    """What happens to two batches, taken in as the daemon's worker takes it in."""

    def __init__(self, fails_at: int | None = None, *, after: bool = False) -> None:
        self.store = SqlStore(StoreOptions("sqlite://"))
        self.shaky = Shaky(self.store, fails_at, after=after)
        self.published: dict[str, bytes] = {}
        store: Any = self.shaky
        self.watch = Watch(
            store,
            WatchPolicy(channels=("phone",), hub=HubPolicy()),
            publish=self.published.__setitem__,
            chronicle=Chronicle(store),
        )
        self.now_ms = PITCHED_MS

    def repeat(self, act: Callable[[], Any]) -> Any:
        """A chore is done again until it succeeds."""
        while True:
            try:
                return act()
            except StoreUnavailableError:
                continue

    def hours(self, first: int, last: int, temperature_c: float) -> None:
        """Readings come in, other processes' changes are seen, time passes."""
        for hour in range(first, last):
            self.now_ms = PITCHED_MS + hour * MS_PER_HOUR
            found = []
            for sensor in ("float-a", "float-b"):
                found.append(Reading(sensor, Quantity.GRAVITY, self.now_ms, 1.040, self.now_ms))
                found.append(Reading(sensor, Quantity.TEMPERATURE, self.now_ms, temperature_c, self.now_ms))
            self.store.readings.commit(found)
            with suppress(StoreUnavailableError):  # readings are admitted once
                self.watch.admit(found, self.now_ms)
            self.repeat(lambda: self.watch.catch_up(self.now_ms))
            self.watch.begin_tick(self.now_ms + 1)
            while self.repeat(lambda: self.watch.tick_next(self.now_ms + 1)):
                pass

    def live(self) -> None:
        """One batch at the start, another started later; samples, entries, a changed sheet, an end."""
        self.store.batches.start(PORCH, at_ms=PITCHED_MS)
        self.repeat(self.watch.prepare)
        self.watch.hold({PORCH.slug: None})
        while self.repeat(lambda: self.watch.open_next(PITCHED_MS)):
            pass
        self.hours(0, 3, 18.0)
        self.store.batches.start(SHED, at_ms=self.now_ms)
        self.hours(3, 9, 5.0)  # too cold for both
        for slug, sheet in ((PORCH.slug, PORCH), (SHED.slug, SHED)):
            sample = hand_sample(sheet, gravity_sg=1.043, time_ms=self.now_ms, received_ms=self.now_ms)
            self.store.readings.record_sample(slug, sample)
            fed = entry(JournalKind.NUTRIENT, done_ms=self.now_ms, at_ms=self.now_ms)
            self.store.batches.write_down(slug, fed)
        self.hours(9, 11, 5.0)
        self.store.batches.update(replace(SHED, yeast=Yeast((2.0, 24.0))), at_ms=self.now_ms)
        self.hours(11, 13, 5.0)
        self.hours(13, 27, 18.0)  # warm enough again for the one that still minds
        self.store.batches.end(PORCH.slug, ended_ms=self.now_ms, at_ms=self.now_ms)
        self.hours(27, 28, 18.0)

    def outcome(self) -> dict[str, Any]:
        """All that is left of it."""
        return {
            "alerts": [replace(one, id=0) for one in self.store.alerts.listed()],
            "deliveries": [(one.alert.kind, str(one.occasion)) for one in self.store.outbox.waiting()],
            "standings": self.store.standings.listed(),
            "levels": sorted((one.batch, one.at_ms) for _, one in self.store.chronicle.levels_after(0, 999)),
            "phases": sorted((one.batch, one.at_ms) for _, one in self.store.chronicle.phases_after(0, 999)),
            "snapshots": repr(self.watch.snapshots),
            "phases told": {slug: self.watch.phases(slug) for slug in self.watch.held},
            "published": {topic: body for topic, body in self.published.items() if "/alert" not in topic},
        }


@pytest.fixture(scope="module")
def undisturbed() -> Iterator[tuple[dict[str, Any], list[str]]]:
    """What is left where every call succeeds, and which they are."""
    days = Days()
    days.live()
    yield days.outcome(), days.shaky.calls
    days.store.close()


def test_there_is_something_to_lose(undisturbed: tuple[dict[str, Any], list[str]]) -> None:
    """Alerts that fired and were told, standings, levels: else the tests below would show nothing."""
    outcome, calls = undisturbed
    assert [one.kind for one in outcome["alerts"]].count(AlertKind.TEMPERATURE_LOW) == 2
    assert sorted(occasion for _, occasion in outcome["deliveries"]) == ["firing", "firing", "resolved"]
    assert [one.batch for one in outcome["standings"]] == ["shed"]
    assert outcome["levels"]
    assert {*calls} >= WRITES


@pytest.mark.parametrize("after", [False, True], ids=["before the work", "before the answer"])
def test_nothing_is_lost_or_told_twice_wherever_the_store_fails(
    undisturbed: tuple[dict[str, Any], list[str]], *, after: bool
) -> None:
    """The first or the last call of a kind is the one that fails; what is left is the same."""
    expected, calls = undisturbed
    differs = {}
    last = {name: number for number, name in enumerate(calls, 1)}
    first = {name: number for number, name in reversed([*enumerate(calls, 1)])}
    for number in sorted({*first.values(), *last.values()}):
        if after and calls[number - 1] not in WRITES:
            continue  # the same as before it
        days = Days(number, after=after)
        with days.store:
            days.live()
            found = days.outcome()
        if found != expected:
            differs[number, calls[number - 1]] = [name for name in expected if found[name] != expected[name]]
    assert not differs
