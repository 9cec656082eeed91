"""What stays on the broker for each open batch: its retained topics, and its discovery by a hub."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.hub.discovery import HubPolicy, discovery_documents, discovery_topics
from monitor.store.base import Store

ANNOUNCED: Final = "announced:"
TOLD_AT: Final = "discovery:"
"""Under these names stand the prefixes at which a hub was told of batches."""

Publish = Callable[[str, bytes], None]


class Announcer:
    """Publishes, and remembers for which batches, so that nothing is left of those that have ended."""

    def __init__(self, store: Store, publish: Publish, prefix: str, hub: HubPolicy | None) -> None:
        """`hub` is where a home-automation hub listens; None where there is none."""
        self._store = store
        self._publish = publish
        self._prefix = prefix
        self._hub = hub
        self._here = frozenset() if hub is None else frozenset({hub.prefix})
        self._noted = False

    def announce_all(self) -> None:
        """Announce every open batch, and take back what an earlier run said.

        Of batches that have ended all of it; of all of them what a hub was told that is told no more.
        """
        left = self._store.changes.marked(ANNOUNCED)
        self._leave_hubs(left)
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
            if not self._noted:
                self._store.changes.set_mark(TOLD_AT + self._hub.prefix, 1)
                self._noted = True
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
        for prefix in self._here | self._store.changes.marked(TOLD_AT):
            self._hide(slug, prefix)
        self._store.changes.set_mark(ANNOUNCED + slug, 0)

    def _leave_hubs(self, slugs: Iterable[str]) -> None:
        """Clear what was said where discovery has been turned off since, or has another prefix now."""
        for prefix in self._store.changes.marked(TOLD_AT) - self._here:
            for slug in slugs:
                self._hide(slug, prefix)
            self._store.changes.set_mark(TOLD_AT + prefix, 0)

    def _hide(self, slug: str, prefix: str) -> None:
        for topic in discovery_topics(slug, HubPolicy(prefix)):
            self._publish(topic, b"")

    def _topic(self, slug: str, leaf: str) -> str:
        return f"{self._prefix}/batch/{slug}/{leaf}"
