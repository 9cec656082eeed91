"""From a message to readings.

Three forms are understood:

* SenML (JSON or CBOR) on any topic. The record's name is the sensor, a separator out of `:/._`, and what is
  measured: `float-a:density`, `float-a:temperature`. A name that is only what is measured belongs to the
  sensor named by the topic's last level. A name that does not say what is measured is wholly the sensor's,
  and the unit decides. A density comes in kg/m3, or as a ratio `/`, which is specific gravity 20/20.
* any JSON, on topics for which an `ObjectMapping` says which member is what;
* a bare number, on topics for which a `NumberMapping` says what it is.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Final

from monitor.errors import PayloadError, QuantityError
from monitor.ferment.event import Reading
from monitor.sensors import senml
from monitor.sensors.decoded import LATEST_MS, Decoded, gathered, require_sensor, require_time, undated
from monitor.sensors.intake import Intake, intake, units_of
from monitor.sensors.mapping import Mapped, MappedNumber, MappedObject, NumberMapping, ObjectMapping
from monitor.units import Quantity

NATIVE_TOPICS: Final = "carboyd/readings/#"
"""What is subscribed to by default; the native place of a sensor is `carboyd/readings/<sensor>`."""

_CACHED_TOPICS: Final = 4_096
_CACHED_LENGTH: Final = 512
"""Longer topics are looked up each time: a cache of a fixed number must be one of a fixed size."""
_CACHED_NAMES: Final = 16_384
_SEPARATORS: Final = ":/._"
_SENML_TYPES: Final = (senml.MEDIA_TYPE_JSON, senml.MEDIA_TYPE_CBOR)
_WORDS: Final[dict[str, Quantity]] = {
    "ambient_temperature": Quantity.AMBIENT_TEMPERATURE,
    "ambient": Quantity.AMBIENT_TEMPERATURE,
    "temperature": Quantity.TEMPERATURE,
    "temp": Quantity.TEMPERATURE,
    "sample_gravity": Quantity.SAMPLE_GRAVITY,
    "gravity": Quantity.GRAVITY,
    "density": Quantity.GRAVITY,
    "inclination": Quantity.ANGLE,
    "angle": Quantity.ANGLE,
    "battery_voltage": Quantity.BATTERY_VOLTAGE,
    "voltage": Quantity.BATTERY_VOLTAGE,
    "battery": Quantity.BATTERY,
    "signal": Quantity.SIGNAL,
    "rssi": Quantity.SIGNAL,
    "pressure": Quantity.PRESSURE,
}
"""Ends of a SenML name; of two that fit, the longer stands first."""

_UNITS: Final[dict[str, tuple[str, Quantity | None]]] = {
    "Cel": ("degC", Quantity.TEMPERATURE),
    "K": ("K", Quantity.TEMPERATURE),
    "kg/m3": ("kg/m3", Quantity.GRAVITY),
    "rad": ("rad", Quantity.ANGLE),
    "deg": ("deg", Quantity.ANGLE),
    "%EL": ("%", Quantity.BATTERY),
    "dBW": ("dBW", Quantity.SIGNAL),
    "dBm": ("dBm", Quantity.SIGNAL),
    "Pa": ("Pa", Quantity.PRESSURE),
    "hPa": ("hPa", Quantity.PRESSURE),
    "V": ("V", None),
    "mV": ("mV", None),
    "/": ("ratio", None),
}
"""SenML units: how we call them, and what they say where the name says nothing."""


class Decoder:
    """Turns messages into readings; the mappings are compiled once."""

    def __init__(self, objects: Iterable[ObjectMapping] = (), numbers: Iterable[NumberMapping] = ()) -> None:
        """Raises InputError or QuantityError for a mapping that cannot work."""
        self._mapped: list[Mapped] = [MappedObject(mapping) for mapping in objects]
        self._mapped += [MappedNumber(mapping) for mapping in numbers]
        self._mapping_of = lru_cache(maxsize=_CACHED_TOPICS)(self._find)

    def decode(
        self, topic: str, payload: bytes, received_ms: int, content_type: str = "", *, retained: bool = False
    ) -> Decoded:
        """The readings of one message.

        A SenML content type decides, then the topic's mapping (objects before numbers, in the order given),
        then the first byte. Times that the sender gives relative to now, or not at all, count from
        `received_ms`. With `retained`, a value without a time of its own is a fault: its age is unknown.
        Raises PayloadError where nothing in the message can be used, and never anything else.
        """
        if not payload:
            raise PayloadError("empty: a retained value was cleared", kind="empty")
        if content_type.startswith(_SENML_TYPES):
            cbor = content_type.startswith(senml.MEDIA_TYPE_CBOR)
            return _from_senml(topic, payload, received_ms, cbor, retained)
        mapped = (self._mapping_of if len(topic) <= _CACHED_LENGTH else self._find)(topic)
        if mapped is not None:
            return mapped.decode(topic, payload, received_ms, retained)
        first = payload[0]
        if 0x80 <= first <= 0x9F:  # a CBOR array; JSON never begins so
            return _from_senml(topic, payload, received_ms, True, retained)
        if payload[:64].lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"[":
            return _from_senml(topic, payload, received_ms, False, retained)
        raise PayloadError(
            "neither a SenML pack nor on a topic that a mapping names",
            kind="unmapped",
            field="topic",
            hint="send SenML, or say in the configuration what comes on this topic",
        )

    def _find(self, topic: str) -> Mapped | None:
        return next((mapped for mapped in self._mapped if mapped.pattern.fullmatch(topic)), None)


def _from_senml(topic: str, payload: bytes, received_ms: int, cbor: bool, retained: bool) -> Decoded:
    records = (senml.parse_cbor if cbor else senml.parse_json)(payload, received_ms)
    readings: list[Reading] = []
    faults: list[PayloadError] = []
    left_out: list[str] = []
    for record in records:
        name, unit, value, time_ms, dated, _, _ = record
        try:
            meaning = _meaning(name, unit if unit in _UNITS else "")
            if meaning is None:
                left_out.append(name)
                continue
            sensor, way = meaning
            if type(value) is not float and type(value) is not int:
                raise PayloadError(f"{name} is not a number", kind="type", field=name)
            if retained and not dated:
                raise undated(name)
            if not sensor:
                sensor = require_sensor(topic.rpartition("/")[2], "topic")
            if not 0 <= time_ms <= LATEST_MS:
                require_time(time_ms, name)
            readings.append(Reading(sensor, way.quantity, time_ms, way.take(value, name), received_ms))
        except PayloadError as fault:
            faults.append(fault)
    return gathered(readings, faults, left_out)


@lru_cache(maxsize=_CACHED_NAMES)
def _meaning(name: str, unit: str) -> tuple[str, Intake] | None:
    """Sensor and way in of a SenML name and unit; the sensor is empty where the topic names it.

    `unit` is one of `_UNITS`, or empty. None for what carboyd does not keep. Raises PayloadError for a unit
    that does not fit the name.
    """
    sensor, quantity = name, None
    for word, meant in _WORDS.items():
        if name == word or (name.endswith(word) and name[-len(word) - 1] in _SEPARATORS):
            sensor, quantity = name[: -len(word) - 1].rstrip(_SEPARATORS), meant
            break
    ours, usual = _UNITS.get(unit, ("", None))
    if quantity is None:
        quantity = usual
    elif ours == "ratio" and quantity in (Quantity.GRAVITY, Quantity.SAMPLE_GRAVITY):
        ours = "sg"
    if quantity is None:
        return None
    try:
        return sensor, intake(quantity, ours)
    except QuantityError as error:
        ways = units_of(quantity)
        known = [
            symbol
            for symbol, (text, _) in _UNITS.items()
            if text in ways or (text == "ratio" and "sg" in ways)  # a ratio is how SenML tells a gravity
        ]
        raise PayloadError(
            f"{name} in {unit!r}" if unit else f"{name} comes in a unit that is not known here, or in none",
            kind="unit",
            field=name,
            hint=f"SenML units for it: {', '.join(known)}",
        ) from error
