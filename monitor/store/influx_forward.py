"""The forwarder: from the store to a time-series server in batches, with a position that outlives both.

A position moves only when the server has accepted what came before it, or has shown that it accepts
other lines and not this one, which is then set aside with the reason. It counts rows in the order in which
they were written, so a reading that arrives late is forwarded like any other. What was sent twice, because
the process died between the server's answer and the mark, overwrites itself.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import Final

from monitor.errors import StoreError
from monitor.store.base import Store
from monitor.store.influx import Answer, Server, Verdict
from monitor.store.influx_lines import (
    Line,
    line_of_alert,
    line_of_level,
    line_of_phase,
    lines_of_readings,
)
from monitor.store.values import ChangeKind, Feed, SetAside
from monitor.units import Quantity

_log = logging.getLogger(__name__)

_CHANGES_KEPT: Final = 10_000
_TRIED_AGAIN: Final = 20
"""So many positions are looked through for something that the server has taken before."""


@dataclass(frozen=True, slots=True)
class ForwardPolicy:
    """How much at once, how often, how patiently."""

    most_lines: int = 2_000
    fewest_lines: int = 100
    """So many after everything was refused: taking those apart costs the server little."""
    rest_s: float = 5.0
    """How long until it looks again when nothing waits."""
    first_wait_s: float = 1.0
    longest_wait_s: float = 300.0


@dataclass(slots=True)
class _Sent:
    """What became of lines that may have been taken apart."""

    accepted: int = 0
    refused: list[tuple[Line, str]] = field(default_factory=list)
    away: Answer | None = None


class Forwarder:
    """Forwards one store to one server. `step` does one batch; `start` has a thread do them all."""

    def __init__(
        self,
        store: Store,
        server: Server,
        *,
        now_ms: Callable[[], int],
        share: Callable[[], float],
        policy: ForwardPolicy | None = None,
    ) -> None:
        """`share` draws from 0 to 1, so that waits do not march in step."""
        self._store = store
        self._server = server
        self._now_ms = now_ms
        self._share = share
        self._policy = ForwardPolicy() if policy is None else policy
        self._limit = self._policy.most_lines
        self._failures = 0
        self._trouble = ""
        self._news = threading.Condition()
        self._stopping = False
        self._thread: threading.Thread | None = None

    @property
    def target(self) -> str:
        """Server and bucket, as positions are kept under."""
        return self._server.target

    @property
    def trouble(self) -> str:
        """Why nothing is accepted now; empty while all is well."""
        return self._trouble

    def start(self) -> None:
        """Begin to forward, in a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="forwarder", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End after what is under way; what was not marked is sent again at the next start."""
        with self._news:
            self._stopping = True
            self._news.notify_all()
        if self._thread is not None:
            self._thread.join(timeout_s)
        self._server.close()

    def step(self) -> float:
        """Forward one batch and say how many seconds to rest; 0 where more waits. StoreError."""
        target = self._server.target
        if not self._store.forwarding.mine(target):
            return self._policy.rest_s
        upto = self._store.forwarding.positions(target)
        wait_s = self._send_again(target, upto)
        if wait_s is not None:
            return wait_s
        lines = self._next(upto)
        if not lines:
            return self._policy.rest_s
        sent = self._send(lines)
        if sent.away is not None:
            return self._failed(sent.away)
        if not sent.accepted:
            return self._all_refused(sent)
        full = len(lines) >= self._limit
        if not self._kept({line.feed: line.position for line in lines}, sent, upto):
            return 0.0  # somebody asked for everything again meanwhile
        return 0.0 if full else self._policy.rest_s

    def _all_refused(self, sent: _Sent) -> float:
        # it may be the server's configuration and not the data: nothing is set aside on that evidence
        self._limit = self._policy.fewest_lines
        return self._failed(Answer(Verdict.AWAY, f"everything is refused: {sent.refused[0][1]}"))

    def _kept(self, moved: Mapping[Feed, int], sent: _Sent, since: Mapping[Feed, int]) -> bool:
        """Write down what the server has and what it will not have; False where positions are others now."""
        target, now_ms = self._server.target, self._now_ms()
        aside = [SetAside(line.feed, line.position, line.text, why, now_ms) for line, why in sent.refused]
        if not self._store.forwarding.accepted(target, moved, aside, at_ms=now_ms, since=since):
            return False
        for line, reason in sent.refused:
            _log.warning("%s set one line aside: %s: %s", target, reason, line.text)
        self._worked()
        self._limit = self._policy.most_lines
        return True

    def _next(self, upto: dict[Feed, int]) -> list[Line]:
        """What was written after these positions, the few before the many, each feed in its order."""
        kept, limit = self._store.chronicle, self._limit
        lines = [line_of_phase(*one) for one in kept.phases_after(upto[Feed.PHASES], limit)]
        lines += [line_of_alert(*one) for one in kept.alerts_after(upto[Feed.ALERTS], limit - len(lines))]
        lines += [line_of_level(*one) for one in kept.levels_after(upto[Feed.LEVELS], limit - len(lines))]
        if len(lines) < limit:
            found = self._store.readings.after(upto[Feed.READINGS], limit - len(lines))
            lines += lines_of_readings(found)
        return lines

    def _send(self, lines: Sequence[Line]) -> _Sent:
        """Write lines; what is refused together is tried in halves until the bad ones stand alone."""
        sent = _Sent()
        waiting = [lines]
        while waiting:
            some = waiting.pop()
            answer = self._server.write([line.text for line in some])
            if answer.verdict is Verdict.ACCEPTED:
                sent.accepted += len(some)
            elif answer.verdict is Verdict.AWAY:
                sent.away = answer
                break
            elif len(some) == 1:
                sent.refused.append((some[0], answer.reason))
            else:
                half = len(some) // 2
                waiting += [some[half:], some[:half]]
        return sent

    def _send_again(self, target: str, upto: Mapping[Feed, int]) -> float | None:
        """Values that were computed anew keep their rows, so they are sent again; None where all is done."""
        name = f"rederived@{target}"
        changes, mark = self._store.changes, self._store.changes.mark(name)
        newest = changes.position()
        if newest == mark:
            return None
        last = upto[Feed.READINGS]
        if not last or newest - mark > _CHANGES_KEPT:
            # nothing was sent yet, or the list no longer reaches back so far: then all is sent
            if last:
                self._store.forwarding.start_over(target)
            changes.set_mark(name, newest)
            return 0.0
        found = changes.since(mark)
        for sensor in sorted({one.subject for one in found if one.kind is ChangeKind.REDERIVED}):
            derived = self._store.readings.read([sensor], quantities=[Quantity.GRAVITY])
            lines = [line for line in lines_of_readings(derived) if line.position <= last]
            own = {line.position for line in lines}
            while lines:
                sent = self._send(lines[: self._limit])
                lines = lines[self._limit :]
                if sent.away is not None:
                    return self._failed(sent.away)
                if not sent.accepted and not self._takes_others(own, last):
                    return self._all_refused(sent)
                if not self._kept({}, sent, upto):
                    return 0.0
        changes.set_mark(name, found[-1].position)
        return 0.0

    def _takes_others(self, these: Set[int], last: int) -> bool:
        """Whether the server still takes others, which it has already: then it is these that it refuses."""
        newest = lines_of_readings(self._store.readings.after(last - _TRIED_AGAIN, _TRIED_AGAIN))
        others = [line for line in newest if line.position <= last and line.position not in these]
        return bool(others) and self._send(others).accepted > 0

    def _failed(self, answer: Answer) -> float:
        if answer.reason != self._trouble:
            self._trouble = answer.reason
            _log.warning("forwarding waits: %s: %s", self._server.target, answer.reason)
            self._store.forwarding.failed(self._server.target, answer.reason, at_ms=self._now_ms())
        if answer.wait_s is not None:
            wait_s = answer.wait_s
        else:
            policy = self._policy
            span_s = min(policy.longest_wait_s, policy.first_wait_s * 2.0 ** min(self._failures, 32))
            wait_s = max(0.5 * policy.first_wait_s, self._share() * span_s)
        self._failures += 1
        return wait_s

    def _worked(self) -> None:
        if self._trouble:
            _log.warning("forwarding goes on: %s", self._server.target)
        self._trouble = ""
        self._failures = 0

    def _run(self) -> None:
        said = ""
        while self._going():
            try:
                rest_s = self.step()
                said = ""
            except StoreError as error:
                if str(error) != said:
                    said = str(error)
                    _log.error("forwarding waits for the store: %s", said)
                rest_s = self._policy.rest_s
            except Exception:  # noqa: BLE001  the outermost frame of the thread
                # a fault of ours must not end the thread; it is said again with every try
                _log.exception("forwarding failed")
                rest_s = self._policy.longest_wait_s
            with self._news:
                self._news.wait_for(lambda: self._stopping, timeout=rest_s)

    def _going(self) -> bool:
        with self._news:
            return not self._stopping
