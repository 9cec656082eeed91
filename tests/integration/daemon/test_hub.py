"""A home-automation hub on a real Mosquitto: batches come by themselves, come again, and go.

The convention's topics and its birth message are from memory of its public documentation.
"""

from __future__ import annotations

import json

import pytest

from monitor.batch.sheet import Sheet
from monitor.hub.discovery import HubPolicy, discovery_topics

pytestmark = pytest.mark.mosquitto

AT_MS = 1_767_463_200_000
SHEET = Sheet(slug="porch", name="Porch", pitched_ms=AT_MS, gravity_sensor="float-1")
TOPICS = discovery_topics("porch", HubPolicy())
OWN = [f"carboyd/batch/porch/{leaf}" for leaf in ("state", "alert")]


def test_a_batch_is_there_for_a_hub_that_starts_later(mosquitto, inside, listener):
    """Every document is retained, and says where state and availability are."""
    broker = mosquitto()
    daemon = inside(broker, AT_MS, SHEET, hub={"enabled": True})
    listener(broker, "homeassistant/#").wait_for(TOPICS[-1])
    daemon.stop()  # nothing is sent any more: what comes now was kept by the broker
    late = listener(broker, "homeassistant/#")
    for topic in TOPICS:
        document = json.loads(late.wait_for(topic))
        assert late.heard[topic][1]  # retained
        assert document["device"]["name"] == "Porch"
    state = listener(broker, "carboyd/#").wait_for(document["state_topic"])
    assert json.loads(state)["batch"] == "porch"


@pytest.mark.parametrize(
    ("hub", "topic", "payload"),
    [
        ({}, "homeassistant/status", b"online"),
        ({"prefix": "house", "birth_topic": "house/born", "birth_payload": "up"}, "house/born", b"up"),
    ],
)
def test_at_the_hubs_birth_message_all_documents_come_again(
    mosquitto, publisher, inside, listener, hub, topic, payload
):
    """A hub that lost what was retained hears it again; what it says of itself is no reading of ours."""
    broker = mosquitto()
    prefix = hub.get("prefix", "homeassistant")
    topics = discovery_topics("porch", HubPolicy(prefix))
    ear = listener(broker, f"{prefix}/#")
    daemon = inside(broker, AT_MS, SHEET, hub={"enabled": True, **hub})
    for one in topics:
        ear.wait_count(one, 2)  # as the batch was opened, and as the broker was found
    sender = publisher(broker)
    sender.send(topic, b"offline")
    sender.send(topic, payload)
    for one in topics:
        ear.wait_count(one, 3)
        assert ear.heard[one][0]
    assert daemon.store.quarantine.counts() == []


def test_a_batch_that_ended_while_nobody_watched_leaves_no_ghost(mosquitto, inside, listener):
    """Ended while the daemon was down: its documents, state and alert are cleared at the next start."""
    broker = mosquitto()
    first = inside(broker, AT_MS, SHEET, hub={"enabled": True})
    ear = listener(broker, "#")
    for topic in (*TOPICS, OWN[0]):
        ear.wait_for(topic)
    first.stop()

    def end(store):
        store.batches.end("porch", ended_ms=AT_MS, at_ms=AT_MS)

    second = inside(broker, AT_MS + 1, hub={"enabled": True}, before=end)
    for topic in (*TOPICS, *OWN):
        ear.wait_for(topic, b"")
    late = listener(broker, "#")
    late.wait_for("carboyd/daemon/availability", b"online")
    assert not set(late.heard) & {*TOPICS, *OWN}
    assert second.store.changes.mark("announced:porch") == 0


def test_without_a_hub_nothing_is_announced(mosquitto, inside, listener):
    """Off by default: state goes out, documents do not."""
    broker = mosquitto()
    inside(broker, AT_MS, SHEET)
    ear = listener(broker, "#")
    ear.wait_for(OWN[0])
    assert not any(topic.startswith("homeassistant/") for topic in ear.heard)
