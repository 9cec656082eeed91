"""From a validation error to lines a person can act on: file, key, value, what is allowed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

SECRET_WORDS: Final = ("password", "url", "token", "secret")


def faults_of(
    error: ValidationError,
    config_file: Path | None,
    file_values: Mapping[str, Any],
    environ: Mapping[str, str],
    prefix: str,
    nested: str,
) -> list[str]:
    """One line for each fault in `error`."""
    faults = error.errors(include_url=False, include_context=True)
    parts = {fault["loc"][:-1] for fault in faults}
    lines = []
    for fault in faults:
        location = fault["loc"]
        if fault["type"] == "too_short" and location in parts:
            continue  # short only because its parts are at fault
        key = _key(location)
        variable = prefix + nested.join(str(part) for part in location).upper()
        if variable in environ:
            where, value = f"environment: {variable}", _shown(location, environ[variable])
        else:
            where = f"{config_file}: {key}" if config_file is not None else key
            value = _shown(location, _at(file_values, location))
        allowed = fault["msg"].removeprefix("Value error, ")
        if fault["type"] == "extra_forbidden":
            allowed = "no such key; see the commented sample in config/carboyd.toml"
        elif fault["type"] == "missing":
            allowed = "must be given"
        else:
            allowed = f"allowed: {_lower(allowed)}"
        lines.append(f"{where} = {value}: {allowed}" if value else f"{where}: {allowed}")
    return lines


def _key(location: tuple[int | str, ...]) -> str:
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _at(values: object, location: tuple[int | str, ...]) -> object:
    """What the file has at a location; None where it has nothing."""
    for part in location:
        known = part in values if isinstance(values, Mapping) else _has_index(values, part)
        if not known:
            return None
        values = values[part]  # type: ignore[index]  # one of the two, as just tested
    return values


def _shown(location: tuple[int | str, ...], value: object) -> str:
    if value is None:
        return ""
    if any(word in str(part).lower() for part in location for word in SECRET_WORDS):
        return "(not shown)"
    if isinstance(value, Mapping):
        return ""  # a whole table says nothing more than its key
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _has_index(values: object, part: int | str) -> bool:
    return isinstance(values, list) and isinstance(part, int) and part < len(values)
