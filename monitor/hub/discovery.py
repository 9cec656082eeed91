"""Discovery documents of the open MQTT convention of home-automation hubs. Pure.

A retained document on `<prefix>/<component>/<node>/<object>/config` makes an entity appear; an empty one
removes it. Values are read from the state that each batch publishes anyway.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Final

from monitor.batch.sheet import Sheet
from monitor.ferment.emission import Phase

_ONLINE: Final = "online"
_OFFLINE: Final = "offline"


@dataclass(frozen=True, slots=True)
class HubPolicy:
    """Where a hub listens, and where it finds our state."""

    prefix: str = "homeassistant"
    publish_prefix: str = "carboyd"


@dataclass(frozen=True, slots=True)
class _Entity:
    component: str
    leaf: str
    name: str
    template: str
    extra: dict[str, object]


_PROBLEM: Final = "{{ 'ON' if value_json.alerts else 'OFF' }}"
_ENTITIES: Final = (
    # no device class fits a specific gravity; without the precision 1.050 would show as 1.05
    _Entity(
        "sensor",
        "gravity",
        "Gravity",
        "{{ value_json.gravity_sg }}",
        {"state_class": "measurement", "unit_of_measurement": "SG", "suggested_display_precision": 3},
    ),
    _Entity(
        "sensor",
        "temperature",
        "Temperature",
        "{{ value_json.temperature_c }}",
        {"device_class": "temperature", "state_class": "measurement", "unit_of_measurement": "°C"},
    ),
    _Entity(
        "sensor",
        "alcohol",
        "Alcohol so far",
        "{{ value_json.alcohol_abv }}",
        {"state_class": "measurement", "unit_of_measurement": "%", "suggested_display_precision": 1},
    ),
    _Entity(
        "sensor",
        "phase",
        "Phase",
        "{{ value_json.phase }}",
        {"device_class": "enum", "options": [phase.value for phase in Phase]},
    ),
    _Entity(
        "sensor",
        "finish",
        "Expected finish",
        "{{ value_json.finish_at.p50 }}",
        {"device_class": "timestamp"},
    ),
    _Entity("binary_sensor", "problem", "Needs attention", _PROBLEM, {"device_class": "problem"}),
)


def discovery_topics(slug: str, policy: HubPolicy) -> list[str]:
    """The topics of a batch's documents; an empty retained message on each removes the batch."""
    return [_topic(slug, entity, policy) for entity in _ENTITIES]


def discovery_documents(sheet: Sheet, policy: HubPolicy) -> list[tuple[str, bytes]]:
    """Topic and document, to be retained, for everything that a batch shows.

    Identifiers come from the slug, which never changes; the name may.
    """
    return [(_topic(sheet.slug, entity, policy), _document(sheet, entity, policy)) for entity in _ENTITIES]


def _topic(slug: str, entity: _Entity, policy: HubPolicy) -> str:
    return f"{policy.prefix}/{entity.component}/carboyd_{slug}/{entity.leaf}/config"


def _document(sheet: Sheet, entity: _Entity, policy: HubPolicy) -> bytes:
    device = f"carboyd_{sheet.slug}"
    document: dict[str, object] = {
        "name": entity.name,
        "unique_id": f"{device}_{entity.leaf}",
        "device": {"identifiers": [device], "name": sheet.name},
        "origin": {"name": "carboyd"},
        "state_topic": f"{policy.publish_prefix}/batch/{sheet.slug}/state",
        "value_template": entity.template,
        "availability_topic": f"{policy.publish_prefix}/daemon/availability",
        "payload_available": _ONLINE,
        "payload_not_available": _OFFLINE,
        **entity.extra,
    }
    return json.dumps(document, ensure_ascii=False).encode()
