"""MQTT topic filters, and sensor names made from the levels of a topic."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from monitor.batch.sheet import LONGEST_SENSOR
from monitor.errors import InputError

_PLACE: Final = re.compile(r"\{([^{}]*)\}")


def topic_filter(text: str) -> re.Pattern[str]:
    """A compiled MQTT topic filter (MQTT 5, 4.7): `fullmatch` a topic against it.

    `+` stands for one level, a final `#` for any number of further ones, its parent included; neither
    reaches topics that begin with `$`. Raises InputError for a filter that is not one.
    """
    levels = text.split("/")
    for at, level in enumerate(levels):
        lone = level in ("+", "#") or not set(level) & {"+", "#"}
        if not text or not lone or (level == "#" and at < len(levels) - 1):
            raise InputError(
                f"{text!r} is not an MQTT topic filter",
                hint="'+' is a whole level, '#' is the whole last one",
            )
    parts = ["[^/]*" if level == "+" else re.escape(level) for level in levels]
    guard = r"(?!\$)" if levels[0] in ("+", "#") else ""
    if levels[-1] != "#":
        return re.compile(guard + "/".join(parts), re.DOTALL)
    above = "/".join(parts[:-1])
    return re.compile(f"{guard}{above}(?:/.*)?" if len(levels) > 1 else f"{guard}.*", re.DOTALL)


def sensor_template(text: str) -> Callable[[str], str]:
    """A function from a topic to a sensor's name.

    `{2}` stands for the topic's second level, `{-1}` for its last. Raises InputError for another place;
    the function gives an empty name where the topic has no such level.
    """
    places = _PLACE.split(text)
    numbers = places[1::2]
    if not text or any(not re.fullmatch(r"-?[1-9][0-9]?", number) for number in numbers):
        raise InputError(
            f"{text!r} is no template for a sensor's name",
            hint="text with {1}, {2}, ... for the levels of the topic, {-1} for the last",
        )
    indices = [int(number) - (int(number) > 0) for number in numbers]
    literals = places[0::2]

    def name(topic: str) -> str:
        levels = topic.split("/")
        parts = [literals[0]]
        for index, literal in zip(indices, literals[1:], strict=True):
            if not -len(levels) <= index < len(levels) or not levels[index]:
                return ""
            parts += [levels[index], literal]
        return "".join(parts)

    return name


def is_sensor_name(name: str) -> bool:
    """Whether a sensor may be called so: printable, no comma (recordings are CSV), not too long."""
    return 0 < len(name) <= LONGEST_SENSOR and name.isprintable() and "," not in name and name == name.strip()
