"""Truth labels into the `batch.toml` of a recording, with its comments and everything else left as it is."""

from __future__ import annotations

import os
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Array, InlineTable

from monitor.errors import RecordingError
from monitor.ferment.score import Spell, Truth
from monitor.replay.recording import BATCH_FILE
from monitor.replay.sheet import sheet_from
from monitor.units import MS_PER_MINUTE, datetime_from_ms

TRUTH: Final = "truth"
ROUNDED_MS: Final = 5 * MS_PER_MINUTE
"""A finish to the second would pretend to know more than anybody does."""


def label(folder: Path, truth: Truth) -> str:
    """Write finish, final gravity and stalls of a truth into a recording's sheet; gives its new text.

    What else stands under `[truth]` stays, and every comment; a mark that is not known is taken out.
    The file is replaced as a whole. RecordingError where it cannot be read or written, or is no sheet.
    """
    path = folder / BATCH_FILE
    try:
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, TOMLKitError) as fault:
        raise RecordingError(f"{path} cannot be read: {fault}", hint="Mend the TOML.") from fault
    if TRUTH not in document:
        document.add(tomlkit.nl())
        document.add(TRUTH, tomlkit.table())
    table: Any = document[TRUTH]
    if not isinstance(table, dict):
        raise RecordingError(f"{path}: {TRUTH} is not a table", hint="Write [truth] on a line of its own.")
    for key, value in _marks(truth).items():
        if value is not None:
            table[key] = value
        elif key in table:
            del table[key]
    text = tomlkit.dumps(document)
    sheet_from(tomllib.loads(text), str(path))  # what cannot be read back is not written
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_text(text, encoding="utf-8")
        os.replace(partial, path)
    except OSError as fault:
        raise RecordingError(f"{path} cannot be written: {fault}", hint="Is it yours to write?") from fault
    return text


def _marks(truth: Truth) -> dict[str, Any]:
    return {
        "finished_at": _moment(truth.finished_ms),
        "near_finish_at": _moment(truth.near_finish_ms),
        "final_gravity": None if truth.final_gravity_sg is None else round(truth.final_gravity_sg, 5),
        "stalls": _spells(truth.stalls) if truth.stalls else None,
    }


def _moment(at_ms: int | None) -> datetime | None:
    return None if at_ms is None else datetime_from_ms(round(at_ms / ROUNDED_MS) * ROUNDED_MS)


def _spells(spells: tuple[Spell, ...]) -> Array:
    listed = tomlkit.array().multiline(True)
    for spell in spells:
        line: InlineTable = tomlkit.inline_table()
        line.update({"from": _moment(spell.from_ms), "until": _moment(spell.until_ms)})
        listed.append(line)
    return listed
