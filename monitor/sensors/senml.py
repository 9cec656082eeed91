"""SenML packs as JSON and CBOR: read into resolved records, and written.

RFC 8428 gives the format, RFC 8798 the secondary units, RFC 9100 the feature bits of the version. A pack is
read whole or not at all: whatever the standard forbids is a PayloadError that names the record and label.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterable, Sequence
from decimal import Decimal
from functools import lru_cache
from io import BytesIO
from operator import attrgetter
from typing import Any, Final, NamedTuple

import cbor2

from monitor.errors import InputError, PayloadError
from monitor.units import MS_PER_SECOND

MEDIA_TYPE_JSON: Final = "application/senml+json"
MEDIA_TYPE_CBOR: Final = "application/senml+cbor"

MAX_BYTES: Final = 65_536
"""A longer message is refused unread; a day of one reading a minute takes about half of it."""

MAX_NAME: Final = 200
"""Characters of a full name."""

RELATIVE_BELOW_S: Final = 2**28
"""Times below are relative to now, at or above are Unix time (RFC 8428, 4.5.3)."""

DEFAULT_VERSION: Final = 10
SECONDARY_UNITS_VERSION: Final = 26
"""10 with feature bit 4, "secondary units are used" (RFC 9100)."""

_SHOWN: Final = 40
"""Characters of foreign text that a message repeats."""
_TIME_LIMIT_S: Final = 1e11
_EARLIEST_MS: Final = -(10**15)
_FINITE: Final = 1.7976931348623157e308
_MAX_DEPTH: Final = 8
_NAME: Final = re.compile(r"[A-Za-z0-9][-A-Za-z0-9:./_]*")
_NUMBER: Final = float
_TYPES: Final[dict[str, type]] = {
    "bn": str,
    "bt": _NUMBER,
    "bu": str,
    "bv": _NUMBER,
    "bs": _NUMBER,
    "bver": _NUMBER,
    "n": str,
    "u": str,
    "v": _NUMBER,
    "vs": str,
    "vb": bool,
    "vd": str,
    "s": _NUMBER,
    "t": _NUMBER,
    "ut": _NUMBER,
}
_VALUES: Final = ("v", "vs", "vb", "vd")
_NOT_PLAIN: Final = frozenset({"vs", "vb", "vd", "s"})
_BY_TIME: Final = attrgetter("time_ms")
_BASE: Final = frozenset({"bn", "bt", "bu", "bv", "bs", "bver"})
_CBOR_LABELS: Final[dict[int, str]] = {
    -1: "bver",
    -2: "bn",
    -3: "bt",
    -4: "bu",
    -5: "bv",
    -6: "bs",
    0: "n",
    1: "u",
    2: "v",
    3: "vs",
    4: "vb",
    5: "s",
    6: "t",
    7: "ut",
    8: "vd",
}
_CBOR_KEYS: Final = {label: key for key, label in _CBOR_LABELS.items()}


Value = float | bool | str | bytes | None
"""None where the record carries only a sum."""


class Record(NamedTuple):
    """One resolved record: no base fields, no relative time.

    A named tuple because one is made for every record that arrives, and it costs a third of a dataclass.
    """

    name: str
    unit: str
    """Empty where neither the record nor a base unit gives one."""
    value: Value
    time_ms: int
    dated: bool = True
    """False where the time was relative to the arrival: the sender knows no absolute time."""
    integral: float | None = None
    """The sum: unit times seconds."""
    update_s: float | None = None
    """The sender's longest wait until its next reading."""


def parse_json(payload: bytes, received_ms: int) -> list[Record]:
    """The resolved records of a SenML JSON pack, in chronological order.

    Times relative to now are counted from `received_ms`. Raises PayloadError.
    """
    return _resolve(read_json(payload), received_ms)


def parse_cbor(payload: bytes, received_ms: int) -> list[Record]:
    """The resolved records of a SenML CBOR pack; as `parse_json`."""
    if len(payload) > MAX_BYTES:
        raise _too_large(len(payload))
    stream = BytesIO(payload)
    try:
        decoder = cbor2.CBORDecoder(stream, max_depth=_MAX_DEPTH, allow_duplicate_keys=False)
        pack = decoder.decode()
    except (cbor2.CBORError, ValueError, TypeError, ArithmeticError, MemoryError, RecursionError) as error:
        kind = "duplicate_key" if "Duplicate map key" in str(error) else "not_cbor"
        raise PayloadError(f"not CBOR that can be read: {error}", kind=kind) from error
    if stream.tell() != len(payload):
        raise PayloadError(f"{len(payload) - stream.tell()} bytes follow the CBOR item", kind="not_cbor")
    if type(pack) is list:
        pack = [_named(fields, index) for index, fields in enumerate(pack)]
    return _resolve(pack, received_ms)


def dump_json(records: Sequence[Record]) -> bytes:
    """A SenML JSON pack of these records; `parse_json` gives them back, sorted by time.

    At least one record; one that is not dated is written without a time and will get that of its arrival.
    Raises InputError for a dated time before 1978, which SenML would take for a relative one.
    """
    return json.dumps(list(_compact(records)), separators=(",", ":"), allow_nan=False).encode()


def dump_cbor(records: Sequence[Record]) -> bytes:
    """A SenML CBOR pack of these records; `parse_cbor` gives them back, sorted by time."""
    pack = [
        {_CBOR_KEYS[label]: value for label, value in fields.items()}
        for fields in _compact(records, raw=True)
    ]
    return cbor2.dumps(pack)


def read_json(payload: bytes) -> Any:
    """The JSON text of a message as Python values.

    Refuses what the standard library lets pass: NaN and Infinity, the same key twice, more than `MAX_BYTES`,
    nesting beyond what a stack holds. Raises PayloadError.
    """
    if len(payload) > MAX_BYTES:
        raise _too_large(len(payload))
    try:
        text = payload.decode()
    except UnicodeDecodeError as error:
        raise PayloadError(f"not UTF-8 at byte {error.start}", kind="not_utf8") from error
    if text.startswith("\ufeff"):
        text = text[1:]
    try:
        return _JSON.decode(text)
    except RecursionError as error:
        raise PayloadError("nested too deeply", kind="nesting") from error
    except ValueError as error:
        raise PayloadError(f"not JSON: {error}", kind="not_json") from error


def _too_large(size: int) -> PayloadError:
    return PayloadError(f"{size} bytes; at most {MAX_BYTES} are read", kind="too_large")


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in fields if keys.count(key) > 1)[:_SHOWN]
        raise PayloadError(f"{twice!r} is given twice", kind="duplicate_key", field=twice)
    return fields


def _refuse_constant(text: str) -> float:
    raise PayloadError(f"{text} is not a JSON number", kind="not_finite")


_JSON: Final = json.JSONDecoder(object_pairs_hook=_unique, parse_constant=_refuse_constant)


def _named(fields: Any, index: int) -> Any:
    """A CBOR record with the labels and number types of the JSON form."""
    if type(fields) is not dict:
        return fields
    named: dict[str, Any] = {}
    for key, value in fields.items():
        label = _CBOR_LABELS.get(key, key) if type(key) is int else key
        if type(label) is not str:
            continue  # an unknown integer: to be ignored like any unknown label
        if label in named:
            raise _fault(index, label, "is given twice", "duplicate_key")
        if type(value) is Decimal:
            value = float(value)
        elif label == "vd":
            if type(value) is not bytes:
                raise _fault(index, label, "must be a byte string", "type")
            value = base64.urlsafe_b64encode(value).decode()
        named[label] = value
    return named


def _fault(index: int, label: str, what: str, kind: str) -> PayloadError:
    label = label[:_SHOWN]
    return PayloadError(f"record {index}: {label} {what}", kind=kind, field=f"/{index}/{label}")


def _check(fields: dict[str, Any], index: int) -> None:
    """Every known label has its type, every number is finite, nothing is given that must be understood."""
    for label, value in fields.items():
        expected = _TYPES.get(label)
        kind = type(value)
        if expected is _NUMBER:
            if kind is not float and kind is not int:
                raise _fault(index, label, f"must be a number, not {kind.__name__}", "type")
            if not -_FINITE <= value <= _FINITE:
                raise _fault(index, label, "is not a finite number", "not_finite")
        elif expected is None:
            if label.endswith("_"):
                raise _fault(index, label, "must be understood and is not known here", "label")
        elif kind is not expected:
            raise _fault(index, label, f"must be a {expected.__name__}, not {kind.__name__}", "type")


def _resolve(pack: Any, received_ms: int) -> list[Record]:
    if type(pack) is not list or not pack:
        raise PayloadError("a SenML pack is an array of at least one record", kind="not_a_pack")
    version = _version_of(pack)
    base_name = base_unit = ""
    base_time_s: float = 0
    base_value: float | None = None
    base_sum: float = 0
    in_order, last_ms = True, _EARLIEST_MS
    records: list[Record] = []
    for index, fields in enumerate(pack):
        if type(fields) is not dict:
            raise PayloadError(f"record {index} is not a map", kind="not_a_pack", field=f"/{index}")
        _check(fields, index)
        get = fields.get
        if not _BASE.isdisjoint(fields):
            base_name = get("bn", base_name)
            base_unit = get("bu", base_unit)
            base_time_s = get("bt", base_time_s)
            base_value = get("bv", base_value)
            base_sum = get("bs", base_sum)
            if get("bver", version) != version:
                raise _fault(index, "bver", "differs from the pack's version", "version")
            if _BASE.issuperset(fields):
                continue  # sets bases for what follows, says nothing itself
        if "v" in fields and base_value is None and _NOT_PLAIN.isdisjoint(fields):
            value, integral = fields["v"], None
        else:
            value, integral = _value_of(fields, base_value, base_sum, index)
        time_s = base_time_s + get("t", 0)
        if not -_TIME_LIMIT_S < time_s < _TIME_LIMIT_S:
            # the sum of two whole numbers can be larger than any float, and then has no short form
            time_s = _finite(time_s, index, "t")
            raise _fault(index, "t", f"gives {time_s:g} s: not a time in seconds", "time")
        dated = time_s >= RELATIVE_BELOW_S
        time_ms = round(time_s * MS_PER_SECOND) + (0 if dated else received_ms)
        name = base_name + get("n", "")
        if len(name) > MAX_NAME or not _is_name(name):
            raise _fault(index, "n", f"gives no SenML name: {name[:_SHOWN]!r}", "name")
        records.append(Record(name, get("u", base_unit), value, time_ms, dated, integral, get("ut")))
        in_order = in_order and time_ms >= last_ms
        last_ms = time_ms
    if not in_order:
        records.sort(key=_BY_TIME)
    return records


@lru_cache(maxsize=4_096)
def _is_name(name: str) -> bool:
    return _NAME.fullmatch(name) is not None


def _version_of(pack: list[Any]) -> int:
    """The version that all records of a pack share; PayloadError where it is not known here."""
    first = pack[0]
    version = first.get("bver", DEFAULT_VERSION) if type(first) is dict else DEFAULT_VERSION
    if type(version) is int and (0 < version <= DEFAULT_VERSION or version == SECONDARY_UNITS_VERSION):
        return version
    raise _fault(0, "bver", f"must be {DEFAULT_VERSION} or {SECONDARY_UNITS_VERSION}", "version")


def _value_of(
    fields: dict[str, Any], base_value: float | None, base_sum: float, index: int
) -> tuple[Value, float | None]:
    """The one value of a record and its sum; None for what it has not."""
    given = [label for label in _VALUES if label in fields]
    if len(given) > 1:
        raise _fault(index, given[1], f"beside {given[0]}: a record has one value", "value")
    integral = _finite(fields["s"] + base_sum, index, "s") if "s" in fields else None
    if not given:
        if integral is not None:
            return None, integral
        if base_value is not None:
            return base_value, None  # a missing value counts as zero once there is a base value
        raise _fault(index, "v", "is missing: no value and no sum", "value")
    label = given[0]
    value: Any = fields[label]
    if label == "v":
        value = _finite(value + (base_value or 0), index, label)
    elif label == "vd":
        try:
            value = base64.b64decode(value + "=" * (-len(value) % 4), altchars=b"-_", validate=True)
        except (binascii.Error, ValueError) as error:
            raise _fault(index, label, f"is not base64url: {error}", "type") from error
    return value, integral


def _finite(total: float, index: int, label: str) -> float:
    if not -_FINITE <= total <= _FINITE:
        raise _fault(index, label, "with its base is not a finite number", "not_finite")
    return total


def _compact(records: Sequence[Record], *, raw: bool = False) -> Iterable[dict[str, Any]]:
    """Records as labelled fields, with a base time and the common start of their names taken out once."""
    base_name = _common_start([record.name for record in records])
    # a base time would date those that have none
    base_ms = 0
    if all(record.dated for record in records):
        # a whole second not above any: a negative or broken part could round a sum to below 2^28
        base_ms = min(record.time_ms for record in records) // MS_PER_SECOND * MS_PER_SECOND
    for index, record in enumerate(records):
        if record.dated and record.time_ms < RELATIVE_BELOW_S * MS_PER_SECOND:
            raise InputError(
                f"{record.time_ms} ms cannot be written as an absolute time in SenML",
                hint="times from July 1978 on, or records that are not dated",
            )
        fields: dict[str, Any] = {}
        if index == 0:
            if base_name:
                fields["bn"] = base_name
            if base_ms:
                fields["bt"] = _seconds(base_ms)
        if len(record.name) > len(base_name):
            fields["n"] = record.name[len(base_name) :]
        if record.unit:
            fields["u"] = record.unit
        fields |= _value_fields(record, raw)
        if record.dated and record.time_ms != base_ms:
            fields["t"] = _seconds(record.time_ms - base_ms)
        if record.update_s is not None:
            fields["ut"] = record.update_s
        yield fields


def _value_fields(record: Record, raw: bool) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    value = record.value
    if type(value) is bool:
        fields["vb"] = value
    elif type(value) is str:
        fields["vs"] = value
    elif type(value) is bytes:
        fields["vd"] = value if raw else base64.urlsafe_b64encode(value).decode().rstrip("=")
    elif value is not None:
        fields["v"] = value
    if record.integral is not None:
        fields["s"] = record.integral
    return fields


def _common_start(names: list[str]) -> str:
    """The longest common start that ends in a separator; a lone or common name keeps its last part."""
    low, high = min(names), max(names)
    length = next(
        (at for at, pair in enumerate(zip(low, high, strict=False)) if pair[0] != pair[1]), len(low)
    )
    cut = max(low.rfind(separator, 0, length) for separator in ":/")
    return low[: cut + 1]


def _seconds(time_ms: int) -> float | int:
    whole, rest = divmod(time_ms, MS_PER_SECOND)
    return whole if rest == 0 else time_ms / MS_PER_SECOND
