"""Thresholds written into a configuration file: its comments stay, and what it held before is kept."""

from __future__ import annotations

import difflib
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

import tomlkit
from tomlkit.exceptions import TOMLKitError

from monitor.errors import ConfigurationError, InputError
from monitor.tune.sets import PART_OF

BEFORE: Final = ".before-tune"
"""What is put after the name of a configuration to keep it as it was."""

Accept = Callable[[Path], None]
"""Raises CarboydError where a configuration would not be taken."""


def with_values(text: str, values: Mapping[str, float], where: str) -> str:
    """A configuration's text with thresholds set; everything else stays as it is, comments too.

    Raises ConfigurationError where the text is no TOML or a table of thresholds is something else.
    """
    try:
        document = tomlkit.parse(text)
        for name, value in values.items():
            part = PART_OF[name]
            if part not in document:
                if document.as_string() and not document.as_string().endswith("\n\n"):
                    document.add(tomlkit.nl())
                document.add(part, tomlkit.table())
            table = document[part]
            if not hasattr(table, "items"):
                raise ConfigurationError([f"{where}: {part} is not a table"])
            table[name] = value
        return document.as_string()
    except TOMLKitError as fault:
        raise ConfigurationError([f"{where}: not valid TOML: {fault}"]) from fault


def read_text(path: Path) -> str:
    """A configuration as it stands. Raises InputError where it cannot be read."""
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as fault:
        raise InputError(f"{path} cannot be read: {fault}", hint="Give an existing configuration.") from fault


def difference(before: str, after: str, name: str) -> str:
    """What changes, as a unified difference; empty where nothing does."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), after.splitlines(keepends=True), f"{name} (now)", f"{name} (then)"
    )
    return "".join(line if line.endswith("\n") else line + "\n" for line in lines)


def replace_text(path: Path, text: str, accept: Accept) -> Path:
    """Put a text in a configuration's place, in one move, once it is accepted; where the old one is kept.

    Raises InputError where it cannot be written, and whatever `accept` raises; nothing is changed then.
    """
    path = path.resolve()  # a link stays a link
    kept = path.with_name(path.name + BEFORE)
    try:
        fresh = _beside(path, text)
        try:
            accept(fresh)
            old = _beside(path, read_text(path))
            old.replace(kept)
            fresh.replace(path)
        finally:
            fresh.unlink(missing_ok=True)
    except OSError as fault:
        raise InputError(f"{path} cannot be written: {fault}", hint="Nothing was changed.") from fault
    return kept


def kept_before(path: Path) -> str:
    """What a configuration held before thresholds were written; InputError where nothing is kept."""
    kept = path.resolve().with_name(path.resolve().name + BEFORE)
    if not kept.is_file():
        raise InputError(f"nothing to undo: there is no {kept}", hint="Give the file that tune has written.")
    return read_text(kept)


def _beside(path: Path, text: str) -> Path:
    """A new file next to another one, with its rights; on disk before it is moved anywhere."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    fresh = Path(name)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(text.encode("utf-8"))
            out.flush()
            os.fsync(out.fileno())
        shutil.copymode(path, fresh)
    except BaseException:
        fresh.unlink(missing_ok=True)
        raise
    return fresh
