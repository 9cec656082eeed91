"""Evidence kept on disk between sweeps, named by everything that it follows from.

A file's name is a digest of the rows, the premise, the journal, the fit settings, the source text of what
measures, and the versions of the numeric libraries: what is stale is never found again. Files are written
beside and moved into place, so a sweep that was cut short leaves whole files only, and the next one goes on
from them.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from monitor.errors import RecordingError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.evidence import FitSettings
from monitor.ferment.premise import Premise
from monitor.provenance import ANALYSIS, digest_of_code
from monitor.replay.recording import READINGS_FILE, Recording
from monitor.tune.rows import Rows
from monitor.tune.witness import MEASURED, Heard, Witnessed

SUFFIX: Final = ".npz"
SOURCES: Final = ("replay/recording.py", "replay/player.py", "tune/witness.py", "tune/rows.py",
                  "tune/shelf.py")  # fmt: skip
"""What takes a recording in, beside the analysis."""
MOST_BYTES: Final = 4 * 2**30
"""The oldest files go when a shelf has grown beyond this."""


@dataclass(frozen=True, slots=True)
class Kept:
    """What a shelf holds of one recording."""

    seen: Witnessed
    rows: Rows


def source_digest() -> str:
    """Names the code that evidence follows from, and what it counts with."""
    return digest_of_code(*ANALYSIS, *SOURCES)


def key_of(folder: Path, recording: Recording, fit: FitSettings) -> str:
    """The name under which a recording's evidence is kept; its truth plays no part in it.

    Raises RecordingError where the rows cannot be read.
    """
    digest = hashlib.sha256(source_digest().encode())
    digest.update(repr((recording.premise, recording.journal, fit)).encode())
    try:
        with (folder / READINGS_FILE).open("rb") as rows:
            digest.update(hashlib.file_digest(rows, "sha256").digest())
    except OSError as fault:
        raise RecordingError(f"{folder}: {READINGS_FILE} cannot be read: {fault}") from fault
    return digest.hexdigest()[:40]


@dataclass(frozen=True, slots=True)
class Shelf:
    """A directory of evidence."""

    directory: Path

    def path(self, key: str) -> Path:
        """Where evidence of that name is or would be."""
        return self.directory / (key + SUFFIX)

    def load(self, key: str, premise: Premise) -> Kept | None:
        """Evidence kept under a name; None where there is none, or none that can be read."""
        path = self.path(key)
        try:
            with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
                found = _unpacked(kept, premise)
            os.utime(path)  # the file used last goes last
        except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile, zlib.error):
            return None
        return found

    def save(self, key: str, kept: Kept) -> None:
        """Keep evidence under a name. Raises RecordingError where the directory cannot be written."""
        try:
            self.directory.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=self.directory, prefix=".", suffix=".part")
            try:
                with os.fdopen(handle, "wb") as out:
                    np.savez_compressed(out, **_packed(kept))
                Path(name).replace(self.path(key))
            except BaseException:
                Path(name).unlink(missing_ok=True)
                raise
        except OSError as fault:
            raise RecordingError(
                f"{self.directory} cannot be written: {fault}", hint="Choose another place with --cache."
            ) from fault

    def prune(self, most_bytes: int = MOST_BYTES) -> int:
        """Throw the files away that were used longest ago, until the rest is small enough; how many went."""
        files = sorted(_files(self.directory), key=lambda one: one[0])
        spare = sum(size for _, size, _ in files) - most_bytes
        gone = 0
        for _, size, path in files:
            if spare <= 0:
                break
            with suppress(OSError):  # another sweep may have thrown it away
                path.unlink()
            spare -= size
            gone += 1
        return gone


def _files(directory: Path) -> Iterator[tuple[float, int, Path]]:
    for path in directory.glob("*" + SUFFIX):
        with suppress(OSError):
            state = path.stat()
            yield state.st_mtime, state.st_size, path


def _packed(kept: Kept) -> dict[str, Any]:
    heard = kept.seen.heard
    said = {
        "measured": MEASURED,
        "sensors": heard.sensors,
        "rows": kept.rows.as_json(),
        "journal": [
            [moment, entry.kind.value, entry.done_ms, entry.at_ms, entry.note]
            for moment, entry in kept.seen.journal
        ],
    }
    return {
        "said": np.frombuffer(json.dumps(said).encode(), dtype=np.uint8),
        "at_ms": kept.seen.at_ms,
        "columns": kept.seen.columns,
        "heard_moment": heard.moment,
        "heard_sensor": heard.sensor,
        "heard_silent": heard.silent_hours,
        "heard_interval": heard.interval_hours,
    }


def _unpacked(kept: Any, premise: Premise) -> Kept | None:
    said = json.loads(kept["said"].tobytes())
    if tuple(said["measured"]) != MEASURED:
        return None
    heard = Heard(
        kept["heard_moment"], kept["heard_sensor"], kept["heard_silent"], kept["heard_interval"],
        tuple(said["sensors"]),
    )  # fmt: skip
    journal = tuple(
        (moment, JournalEntry(JournalKind(kind), done_ms, at_ms, note))
        for moment, kind, done_ms, at_ms, note in said["journal"]
    )
    seen = Witnessed(premise, kept["at_ms"], kept["columns"], heard, journal)
    return Kept(seen, Rows.from_json(said["rows"]))
