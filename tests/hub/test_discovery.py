"""Discovery documents, against the documented convention (from memory)."""

from __future__ import annotations

import inspect
import json
import re

from monitor.batch.sheet import Sheet
from monitor.batch.standing import standing_document
from monitor.ferment.emission import Phase
from monitor.hub.discovery import HubPolicy, discovery_documents, discovery_topics
from monitor.sensors.link import Link

SHEET = Sheet("orchard-session", "Orchard session", 0)


def test_topics_follow_the_convention() -> None:
    """Component, node and object are of the allowed characters, and the topic ends in config."""
    for topic in discovery_topics("orchard-session", HubPolicy()):
        assert re.fullmatch(r"homeassistant/(sensor|binary_sensor)(/[a-zA-Z0-9_-]+){2}/config", topic)


def test_what_is_announced_can_be_removed() -> None:
    """Documents and removals go to the same topics, each once."""
    topics = [topic for topic, _ in discovery_documents(SHEET, HubPolicy())]
    assert topics == discovery_topics(SHEET.slug, HubPolicy())
    assert len(set(topics)) == len(topics)


def test_a_batch_is_one_device_even_when_renamed() -> None:
    """Identifiers are those of the batch and do not change with its name."""
    renamed = Sheet("orchard-session", "Another name", 0)
    for (_, one), (_, two) in zip(
        discovery_documents(SHEET, HubPolicy()), discovery_documents(renamed, HubPolicy()), strict=True
    ):
        first, second = json.loads(one), json.loads(two)
        assert first["unique_id"] == second["unique_id"]
        assert (
            first["device"]["identifiers"] == second["device"]["identifiers"] == ["carboyd_orchard-session"]
        )


def test_values_and_availability_are_where_we_publish_them() -> None:
    """Every member a template reads is one of the published state; availability is the daemon's own topic."""
    members = set(re.findall(r'"(\w+)":', inspect.getsource(standing_document)))
    for _, raw in discovery_documents(SHEET, HubPolicy()):
        document = json.loads(raw)
        assert set(re.findall(r"value_json\.(\w+)", document["value_template"])) <= members
        assert document["availability_topic"] == Link("h", 1, "c", ("t",)).availability_topic
        assert document["state_topic"] == "carboyd/batch/orchard-session/state"


def test_gravity_keeps_three_digits_and_the_phase_is_an_enumeration() -> None:
    """A gravity has no device class and three digits; a phase lists all that it can be."""
    made = {
        json.loads(raw)["unique_id"]: json.loads(raw) for _, raw in discovery_documents(SHEET, HubPolicy())
    }
    gravity = made["carboyd_orchard-session_gravity"]
    assert "device_class" not in gravity
    assert gravity["suggested_display_precision"] == 3
    assert made["carboyd_orchard-session_phase"]["options"] == [phase.value for phase in Phase]
