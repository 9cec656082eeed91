"""Several alerts of one kind at once become one notice with a list, but for what cannot wait. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from monitor.ferment.emission import AlertKind, Severity
from monitor.notify.notice import LONGEST_BODY, LONGEST_TITLE, Notice, Reason, plain, said_of
from monitor.store.values import Delivery

MOST_IN_ONE: Final = 20


@dataclass(frozen=True, slots=True)
class Due:
    """A delivery that is to go out now, and why."""

    delivery: Delivery
    reason: Reason

    @property
    def alone(self) -> bool:
        """Whether it goes at once and by itself: a danger, and a finish, which brings its plan."""
        alert = self.delivery.alert
        return alert.severity is Severity.DANGER or (
            alert.kind is AlertKind.FINISHED and self.reason in (Reason.FIRST, Reason.REPEAT)
        )


@dataclass(frozen=True, slots=True)
class Next:
    """What goes out now, together; empty where nothing does, and then `ready_ms` says when something may."""

    members: tuple[Due, ...] = ()
    ready_ms: int | None = None


def next_bundle(due: Sequence[Due], now_ms: int, hold_ms: int) -> Next:
    """What to send next of all that is due: a danger before anything else, then what has waited longest.

    The first of its kind waits `hold_ms` for others. What failed once has waited enough.
    """
    urgent = [one for one in due if one.delivery.alert.severity is Severity.DANGER]
    alone = urgent or [one for one in due if one.alone]
    if alone:
        return Next((alone[0],))
    kinds: dict[tuple[AlertKind, Reason], list[Due]] = {}
    for one in due:
        kinds.setdefault((one.delivery.alert.kind, one.reason), []).append(one)
    waits: list[int] = []
    for alike in kinds.values():
        ready_ms = min(one.delivery.due_ms + _hold(one, hold_ms) for one in alike)
        if ready_ms <= now_ms:
            return Next(tuple(alike[:MOST_IN_ONE]))
        waits.append(ready_ms)
    return Next(ready_ms=min(waits, default=None))


def _hold(one: Due, hold_ms: int) -> int:
    return 0 if one.delivery.attempts else hold_ms


def grouped(members: Sequence[Due], notices: Sequence[Notice]) -> Notice:
    """One notice of several of a kind: how many and which in the title, each one's own words below."""
    if len(notices) == 1:
        return notices[0]
    first = members[0]
    kind = first.delivery.alert.kind
    noun = "sensors" if kind is AlertKind.SENSOR_SILENT else "batches"
    title = f"{len(members)} {noun} {said_of(kind, first.reason).many}"
    room = LONGEST_BODY // len(notices) - LONGEST_TITLE - 4
    body = "\n\n".join(f"* {one.title}\n{_shortened(one.body, room)}" for one in notices)
    severity = min((one.severity for one in notices), key=list(Severity).index)
    return Notice(plain(title)[:LONGEST_TITLE], body[:LONGEST_BODY], severity)


def _shortened(text: str, room: int) -> str:
    words = "\n".join(line for line in text.splitlines() if line)
    return words if len(words) <= room else f"{words[: max(0, room - 1)]}…"
