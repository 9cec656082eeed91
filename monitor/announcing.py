"""What stays on the broker for each open batch: its retained topics, and its discovery by a hub."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.hub.discovery import HubPolicy, discovery_documents, discovery_topics
from monitor.store.base import Store

ANNOUNCED: Final = "announced:"

Publish = Callable[[str, bytes], None]


class Announcer:
    """Publishes, and remembers for which batches, so that nothing is left of those that have ended."""

    def __init__(self, store: Store, publish: Publish, prefix: str, hub: HubPolicy | None) -> None:
        """`hub` is where a home-automation hub listens; None where there is none."""
        self._store = store
        self._publish = publish
        self._prefix = prefix
        self._hub = hub

    def announce_all(self) -> None:
        """Announce every open batch, and take back what an earlier run said of batches that have ended."""
        left = self._store.changes.marked(ANNOUNCED)
        for sheet in self._store.batches.listed():
            if sheet.open:
                self._announce(sheet, remembered=sheet.slug in left)
            elif sheet.slug in left:
                self.take_back(sheet.slug)

    def announce(self, sheet: Sheet) -> None:
        """Tell the hub of a batch, and remember that something of it stays on the broker."""
        self._announce(sheet, remembered=bool(self._store.changes.mark(ANNOUNCED + sheet.slug)))

    def _announce(self, sheet: Sheet, *, remembered: bool) -> None:
        if not remembered:
            self._store.changes.set_mark(ANNOUNCED + sheet.slug, 1)
        if self._hub is not None:
            for topic, document in discovery_documents(sheet, self._hub):
                self._publish(topic, document)

    def say(self, slug: str, leaf: str, document: dict[str, object]) -> None:
        """Publish the state of a batch, or its last alert."""
        self._publish(
            self._topic(slug, leaf), json.dumps(document, ensure_ascii=False, allow_nan=False).encode()
        )

    def take_back(self, slug: str) -> None:
        """Clear the topics of a batch that has ended."""
        for leaf in ("state", "alert"):
            self._publish(self._topic(slug, leaf), b"")  # an empty retained message clears the topic
        if self._hub is not None:
            for topic in discovery_topics(slug, self._hub):
                self._publish(topic, b"")
        self._store.changes.set_mark(ANNOUNCED + slug, 0)

    def _topic(self, slug: str, leaf: str) -> str:
        return f"{self._prefix}/batch/{slug}/{leaf}"
