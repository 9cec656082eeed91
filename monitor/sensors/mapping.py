"""Messages of other shapes: which part of them is which reading.

A mapping belongs to a topic filter and names the sensor by a template of the topic's levels.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final, Literal, Protocol

from jsonpointer import JsonPointer, JsonPointerException

from monitor.errors import InputError, PayloadError
from monitor.ferment.event import Reading
from monitor.sensors.decoded import Decoded, gathered, require_sensor, require_time, undated
from monitor.sensors.intake import intake
from monitor.sensors.senml import read_json
from monitor.sensors.topics import sensor_template, topic_filter
from monitor.units import MS_PER_SECOND, Quantity, ms_from_rfc3339

TimeUnit = Literal["rfc3339", "s", "ms", "us"]

_MS_OF: Final[dict[str, float]] = {"s": float(MS_PER_SECOND), "ms": 1.0, "us": 1e-3}
_NUMBER: Final = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(\S*)")
_COMMA: Final = re.compile(r"[+-]?[0-9]+,[0-9]+\s*\S*")
_LONGEST_NUMBER: Final = 64
_MISSING: Final = object()


@dataclass(frozen=True, slots=True)
class MappedField:
    """One value of a JSON text."""

    pointer: str
    """JSON Pointer, RFC 6901."""
    quantity: Quantity
    unit: str


@dataclass(frozen=True, slots=True)
class MappedTime:
    """Where a JSON text says when it was measured, and in which unit."""

    pointer: str
    unit: TimeUnit = "rfc3339"


@dataclass(frozen=True, slots=True)
class ObjectMapping:
    """JSON texts on matching topics: which member is what."""

    topic: str
    """MQTT topic filter."""
    sensor: str
    """The sensor's name, with `{2}` for the topic's second level, `{-1}` for its last."""
    fields: tuple[MappedField, ...]
    time: MappedTime | None = None
    """None: measured when it arrives."""


@dataclass(frozen=True, slots=True)
class NumberMapping:
    """A bare number on matching topics."""

    topic: str
    sensor: str
    quantity: Quantity
    unit: str


class Mapped(Protocol):
    """A compiled mapping."""

    pattern: re.Pattern[str]

    def decode(self, topic: str, payload: bytes, received_ms: int, retained: bool) -> Decoded:
        """The readings of a message on a matching topic; raises PayloadError."""
        ...


class MappedObject:
    """An `ObjectMapping`, compiled."""

    def __init__(self, mapping: ObjectMapping) -> None:
        """Raises InputError or QuantityError for a mapping that cannot work."""
        self.pattern = topic_filter(mapping.topic)
        self._sensor = sensor_template(mapping.sensor)
        if not mapping.fields:
            raise InputError(f"the mapping of {mapping.topic!r} has no fields")
        self._fields = [
            (field.pointer, _pointer(field.pointer), intake(field.quantity, field.unit))
            for field in mapping.fields
        ]
        self._time = mapping.time
        self._time_pointer = None if mapping.time is None else _pointer(mapping.time.pointer)

    def decode(self, topic: str, payload: bytes, received_ms: int, retained: bool) -> Decoded:
        """The readings of the members that are there; raises PayloadError where none is."""
        document = read_json(payload)
        sensor = require_sensor(self._sensor(topic), "topic")
        measured_ms = self._measured_ms(document)
        if measured_ms is None and retained:
            raise undated("time")
        time_ms = received_ms if measured_ms is None else measured_ms
        readings: list[Reading] = []
        faults: list[PayloadError] = []
        missing: list[str] = []
        for text, pointer, way in self._fields:
            value = _at(pointer, document)
            if value is None or value is _MISSING:
                missing.append(text)
                continue
            try:
                kept = way.take(_number(value, text), text)
            except PayloadError as fault:
                faults.append(fault)
            else:
                readings.append(Reading(sensor, way.quantity, time_ms, kept, received_ms))
        if not readings and not faults:
            raise PayloadError(f"has none of {', '.join(missing)}", kind="missing", field=missing[0])
        return gathered(readings, faults)

    def _measured_ms(self, document: Any) -> int | None:
        if self._time is None or self._time_pointer is None:
            return None
        value = _at(self._time_pointer, document)
        if value is None or value is _MISSING:
            return None
        return require_time(_time_ms(value, self._time), self._time.pointer)


class MappedNumber:
    """A `NumberMapping`, compiled."""

    def __init__(self, mapping: NumberMapping) -> None:
        """Raises InputError or QuantityError for a mapping that cannot work."""
        self.pattern = topic_filter(mapping.topic)
        self._sensor = sensor_template(mapping.sensor)
        self._intake = intake(mapping.quantity, mapping.unit)

    def decode(self, topic: str, payload: bytes, received_ms: int, retained: bool) -> Decoded:
        """The one reading of the message; raises PayloadError."""
        if retained:
            raise undated("payload")
        sensor = require_sensor(self._sensor(topic), "topic")
        kept = self._intake.take(_plain_number(payload, self._intake.unit), "payload")
        return Decoded((Reading(sensor, self._intake.quantity, received_ms, kept, received_ms),))


def _pointer(text: str) -> JsonPointer:
    try:
        return JsonPointer(text)
    except JsonPointerException as error:
        raise InputError(f"{text!r} is no JSON Pointer: {error}", hint="such as /data/temperature") from error


def _at(pointer: JsonPointer, document: Any) -> Any:
    try:
        return pointer.resolve(document)
    except JsonPointerException:
        return _MISSING


def _number(value: Any, field: str) -> float:
    if type(value) is float or type(value) is int:
        try:
            return float(value)
        except OverflowError as error:
            raise PayloadError("is not a finite number", kind="not_finite", field=field) from error
    raise PayloadError(
        f"{field}: {type(value).__name__} {str(value)[:40]!r} is not a JSON number",
        kind="type",
        field=field,
        hint='send the number without quotes, {"temperature": 18.3}',
    )


def _time_ms(value: Any, time: MappedTime) -> int:
    """Unix milliseconds of a time in its declared unit; PayloadError where it is not one."""
    if time.unit == "rfc3339":
        try:
            return ms_from_rfc3339(value)
        except (ValueError, AttributeError, TypeError) as error:
            raise PayloadError(
                f"{time.pointer}: {str(value)[:40]!r} is no RFC 3339 time with an offset",
                kind="time",
                field=time.pointer,
                hint="such as 2026-01-03T18:00:00Z; for a number declare s, ms or us",
            ) from error
    scaled = _number(value, time.pointer) * _MS_OF[time.unit]
    if abs(scaled) > 1e18:
        raise PayloadError(f"{time.pointer}: {value} {time.unit} is no time", kind="time", field=time.pointer)
    return round(scaled)


def _plain_number(payload: bytes, unit: str) -> float:
    """The number a message is; a unit behind it must be the declared one."""
    try:
        text = payload[: _LONGEST_NUMBER + 1].decode("utf-8-sig").strip()
    except UnicodeDecodeError as error:
        raise PayloadError("not UTF-8", kind="not_utf8", field="payload") from error
    if _COMMA.fullmatch(text):
        raise PayloadError(
            f"{text!r} has a decimal comma",
            kind="decimal_comma",
            field="payload",
            hint="send a decimal point, 1.050",
        )
    found = _NUMBER.fullmatch(text)
    if found is None or len(payload) > _LONGEST_NUMBER:
        raise PayloadError(f"{text[:40]!r} is not a number", kind="not_a_number", field="payload")
    if found[2] not in ("", unit):
        raise PayloadError(
            f"{text!r} is not in {unit!r}", kind="unit", field="payload", hint="send the number alone"
        )
    return float(found[1])
