"""Sheets as plain dicts that JSON can hold, and back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, fields
from typing import Any, TypeVar

from monitor.batch.sheet import Sheet, Vessel
from monitor.errors import InputError
from monitor.ferment.premise import Must, MustKind, Yeast

_Part = TypeVar("_Part", Sheet, Must, Yeast, Vessel)


def to_plain(sheet: Sheet) -> dict[str, Any]:
    """The sheet as nested dicts, lists, text, numbers and None."""
    plain: dict[str, Any] = _listed(asdict(sheet))
    return plain


def from_plain(plain: Mapping[str, Any]) -> Sheet:
    """The sheet of such a dict; a missing optional field takes its default.

    Raises InputError naming the field that is missing, unknown, of a wrong type or out of range.
    """
    values = dict(plain)
    if "must" in values:
        values["must"] = _part(Must, values["must"], "must.")
    if "yeast" in values:
        values["yeast"] = _part(Yeast, values["yeast"], "yeast.")
    if "vessel" in values:
        values["vessel"] = _part(Vessel, values["vessel"], "vessel.")
    return _part(Sheet, values, "")


def _listed(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _listed(one) for key, one in value.items()}
    if isinstance(value, tuple):
        return list(value)
    return value


def _part(kind: type[_Part], values: object, where: str) -> _Part:
    if not isinstance(values, Mapping):
        raise InputError(f"sheet: {where.rstrip('.')} is no table of fields")
    known = {one.name for one in fields(kind)}
    for key in values:
        if key not in known:
            raise InputError(
                f"sheet: {where}{key} is no field of a sheet; allowed: {', '.join(sorted(known))}"
            )
    checked = {key: _READERS.get(key, _as_is)(value, where + key) for key, value in values.items()}
    try:
        return kind(**checked)
    except TypeError as error:
        raise InputError(f"sheet: a field is missing: {error}") from error


def _as_is(value: Any, where: str) -> Any:
    return value


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise InputError(f"sheet: {where} = {value!r}: text")
    return value


def _text_or_none(value: Any, where: str) -> str | None:
    return None if value is None else _text(value, where)


def _texts(value: Any, where: str) -> tuple[str, ...]:
    if not isinstance(value, list | tuple):
        raise InputError(f"sheet: {where} = {value!r}: a list of texts")
    return tuple(_text(one, where) for one in value)


def _milliseconds(value: Any, where: str) -> int:
    # True is an int to Python, and no time
    if not isinstance(value, int) or isinstance(value, bool):
        raise InputError(f"sheet: {where} = {value!r}: a whole number of milliseconds")
    return value


def _milliseconds_or_none(value: Any, where: str) -> int | None:
    return None if value is None else _milliseconds(value, where)


def _number(value: Any, where: str) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise InputError(f"sheet: {where} = {value!r}: a number")
    try:
        return float(value)
    except OverflowError as error:
        raise InputError(f"sheet: {where}: a number beyond all sizes") from error


def _number_or_none(value: Any, where: str) -> float | None:
    return None if value is None else _number(value, where)


def _pair_or_none(value: Any, where: str) -> tuple[float, float] | None:
    if value is None:
        return None
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise InputError(f"sheet: {where} = {value!r}: two numbers, low and high")
    return _number(value[0], where), _number(value[1], where)


def _must_kind(value: Any, where: str) -> MustKind | None:
    try:
        return None if value is None else MustKind(value)
    except ValueError as error:
        raise InputError(f"sheet: {where} = {value!r}: one of {', '.join(MustKind)}") from error


_READERS: dict[str, Callable[[Any, str], Any]] = {
    "slug": _text,
    "name": _text,
    "recipe": _text,
    "pitched_ms": _milliseconds,
    "ended_ms": _milliseconds_or_none,
    "gravity_sensor": _text_or_none,
    "temperature_sensor": _text_or_none,
    "other_sensors": _texts,
    "kind": _must_kind,
    "original_gravity_sg": _number_or_none,
    "volume_l": _number_or_none,
    "capacity_l": _number_or_none,
    "alcohol_tolerance_abv": _number_or_none,
    "sample_ph": _number_or_none,
    "sweeten_to_sg": _number_or_none,
    "carbonation_volumes": _number_or_none,
    "expected_apparent_attenuation": _pair_or_none,
    "temperature_c": _pair_or_none,
}
