"""Delivery: a thread for each channel, so that one that hangs holds back no other.

Everything that must survive a restart is in the store; a thread only looks.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Final

from monitor.errors import StoreError
from monitor.notify.channels import Channel
from monitor.notify.notice import Notice, notice_of
from monitor.notify.post import Composer, CourierPolicy, Digest, DrawBatch, Post, PostCounts, Trouble
from monitor.notify.routing import Route
from monitor.store.base import Store
from monitor.units import MS_PER_SECOND

_log = logging.getLogger(__name__)

_LONGEST_REST_S: Final = 60.0
"""However long nothing is due, look again after this: a clock may have been set, a row added elsewhere."""
_SHORTEST_REST_S: Final = 0.05
_AFTER_FAILURE_S: Final = 5.0


class Courier:
    """Threads that deliver, one a channel; `start`, then `wake` whenever something new may be due."""

    def __init__(
        self,
        store: Store,
        channels: Sequence[Channel],
        *,
        now_ms: Callable[[], int],
        share: Callable[[], float],
        policy: CourierPolicy | None = None,
        routes: Mapping[str, Route] | None = None,
        compose: Composer = notice_of,
        digest: Digest | None = None,
        picture: DrawBatch | None = None,
    ) -> None:
        self._now_ms = now_ms
        self._posts = [
            Post(
                store,
                channel,
                now_ms=now_ms,
                share=share,
                policy=policy or CourierPolicy(),
                route=(routes or {}).get(channel.name),
                compose=compose,
                digest=digest,
                picture=picture,
                tell_others=self._tell_others,
            )
            for channel in channels
        ]
        self._news = threading.Condition()
        self._wakes = 0
        self._stopping = False
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin to deliver."""
        for post in self._posts:
            # a service that hangs must not keep the process alive
            thread = threading.Thread(
                target=self._run, args=(post,), name=f"post-{post.channel.name}", daemon=True
            )
            self._threads.append(thread)
            thread.start()

    def wake(self) -> None:
        """Look now; may be called from any thread."""
        with self._news:
            self._wakes += 1
            self._news.notify_all()

    def stop(self, timeout_s: float = 3.0) -> bool:
        """Finish what is being sent and end; what is still due stays in the outbox.

        False where a channel was still busy after `timeout_s`: that notice may be sent again later.
        """
        with self._news:
            self._stopping = True
            self._news.notify_all()
        deadline = time.monotonic() + timeout_s
        for thread in self._threads:
            thread.join(max(0.0, deadline - time.monotonic()))
        return not any(thread.is_alive() for thread in self._threads)

    def troubles(self) -> list[Trouble]:
        """Channels that do not accept notices now."""
        return [post.trouble for post in self._posts if post.trouble is not None]

    def counts(self) -> dict[str, PostCounts]:
        """What became of the notices since the start, by channel."""
        return {post.channel.name: post.counts for post in self._posts}

    def _run(self, post: Post) -> None:
        said = ""
        while self._going():
            with self._news:
                seen = self._wakes
            rest_s = _LONGEST_REST_S
            try:
                post.deliver(self._going)
                next_ms = post.next_due_ms()
                if next_ms is not None:
                    rest_s = (next_ms - self._now_ms()) / MS_PER_SECOND
                said = ""
            except StoreError as error:
                if str(error) != said:
                    said = str(error)
                    _log.error("notices wait: %s", said)
                rest_s = _AFTER_FAILURE_S
            except Exception:  # noqa: BLE001  the outermost frame of the thread
                # a fault of ours in one notice must not end the thread that all later ones need
                _log.exception("channel %s: delivery failed", post.channel.name)
                rest_s = _AFTER_FAILURE_S
            self._rest(seen, rest_s)

    def _rest(self, seen: int, rest_s: float) -> None:
        with self._news:
            self._news.wait_for(
                lambda: self._stopping or self._wakes != seen,
                timeout=min(max(rest_s, _SHORTEST_REST_S), _LONGEST_REST_S),
            )

    def _going(self) -> bool:
        with self._news:
            return not self._stopping

    def _tell_others(self, name: str, notice: Notice) -> None:
        for post in self._posts:
            if post.channel.name != name:
                post.aside(notice)
        self.wake()
