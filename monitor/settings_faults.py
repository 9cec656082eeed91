"""From a validation error to lines a person can act on: file, key, value, what is allowed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

SECRET_WORDS: Final = ("password", "url", "token", "secret")
_HIDDEN: Final = "(not shown)"
_JSON: Final = {
    "tuple_type": 'a JSON list such as ["one", "two"]',
    "model_type": "a JSON object",
    "model_attributes_type": "a JSON object",
}
"""What is expected outside a file, by the kind of fault."""


@dataclass(frozen=True, slots=True)
class Sources:
    """Where values come from; the environment wins, then the secrets, then the file."""

    config_file: Path | None
    file_values: Mapping[str, Any]
    environ: Mapping[str, str]
    secrets_dir: str | None


def faults_of(error: ValidationError, sources: Sources, prefix: str, nested: str) -> list[str]:
    """One line for each fault in `error`."""
    faults = error.errors(include_url=False, include_context=True)
    parts = {fault["loc"][:-1] for fault in faults}
    lines = []
    for fault in faults:
        location = fault["loc"]
        if fault["type"] == "too_short" and location in parts:
            continue  # short only because its parts are at fault
        where, value, is_json = _found(fault, sources, prefix, nested)
        allowed = fault["msg"].removeprefix("Value error, ")
        if fault["type"] == "extra_forbidden":
            allowed = "no such key; see the commented sample in config/carboyd.toml"
        elif fault["type"] == "missing":
            allowed = "must be given"
        elif is_json and fault["type"] in _JSON:
            allowed = f"{_JSON[fault['type']]} is expected"
        else:
            allowed = f"allowed: {_lower(allowed)}"
        lines.append(f"{where} = {value}: {allowed}" if value else f"{where}: {allowed}")
    return lines


def _found(fault: ErrorDetails, sources: Sources, prefix: str, nested: str) -> tuple[str, str, bool]:
    """Where the value of a key stands, the value as it may be shown, and whether it should be JSON there."""
    location, key = fault["loc"], _key(fault["loc"])
    secrets = [] if sources.secrets_dir is None else sorted(Path(sources.secrets_dir).iterdir())
    files = {path.name.lower(): path for path in secrets}
    for end in range(len(location), 0, -1):
        name = nested.join(str(part) for part in location[:end])
        inside = "" if end == len(location) else f": {key}"
        is_json = bool(inside) or fault["type"] in _JSON
        variable = prefix + name.upper()
        if variable in sources.environ:
            text = sources.environ[variable]
            # a whole list or table may have secrets among the rest
            value = _HIDDEN if is_json or text.lstrip().startswith(("[", "{")) else _shown(location, text)
            return f"environment: {variable}{inside}", value, is_json
        if name.lower() in files:
            return f"{files[name.lower()]}: {key}", _HIDDEN, is_json
    where = key if sources.config_file is None else f"{sources.config_file}: {key}"
    return where, _shown(location, _at(sources.file_values, location)), False


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
        return _HIDDEN
    if isinstance(value, Mapping):
        return ""  # a whole table says nothing more than its key
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


def _has_index(values: object, part: int | str) -> bool:
    return isinstance(values, list) and isinstance(part, int) and part < len(values)
