"""Messages as they came over MQTT, kept in a file: one JSON object a line, in order of arrival.

    {"at":"2026-01-03T18:00:00.125Z","topic":"carboyd/readings/float-a","payload":"W3sibiI6...","type":"..."}

`at` is the arrival (RFC 3339, UTC), `payload` the bytes in base64 (RFC 4648); `type` is the content type and
`retain` true, each only where the message had it. Where the power went while a line was written it may be
torn: such a line is left out.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Final, Protocol

from monitor.errors import RecordingError
from monitor.ferment.event import JournalEntry, Reading
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.recording import RowFaults
from monitor.replay.sheet import sheet_from
from monitor.sensors.arrivals import Arrival
from monitor.sensors.mapping import NumberMapping, ObjectMapping
from monitor.sensors.payload import Decoder
from monitor.sensors.taking import Calibrations, take
from monitor.units import ms_from_rfc3339, rfc3339_from_ms

SUFFIXES: Final = (".jsonl", ".capture")
LONGEST_LINE: Final = 2_000_000


@dataclass(frozen=True, slots=True)
class Decoding:
    """How messages are understood: the mappings, and the calibrations of floats that send angles."""

    objects: tuple[ObjectMapping, ...] = ()
    numbers: tuple[NumberMapping, ...] = ()
    calibrations: Calibrations = field(default_factory=dict)


class Notes(Protocol):
    """Where faults are noted."""

    def note(self, line: int, complaint: str) -> None:
        """One fault."""
        ...


class CaptureFile:
    """A capture that is being written; what `write` was given is on the disk when it returns."""

    def __init__(self, path: Path) -> None:
        """Goes on with a file that is there; RecordingError where it is something else or not ours."""
        try:
            if path.is_file() and path.stat().st_size:
                _require_capture(path)
            self._file: BinaryIO = path.open("ab")
            if self._file.tell() and not _ends_with_newline(path):
                self._file.write(b"\n")  # a torn line stays a line of its own
        except OSError as fault:
            raise RecordingError(f"{path} cannot be written: {fault}", hint="Choose another file.") from fault
        self._path = path

    def __enter__(self) -> CaptureFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def write(self, arrivals: Sequence[Arrival]) -> None:
        """Append and force to disk; after a RecordingError nothing of it may be acknowledged."""
        try:
            self._file.write(b"".join(line_of(arrival) for arrival in arrivals))
            self._file.flush()
            os.fsync(self._file.fileno())
        except OSError as fault:
            raise RecordingError(
                f"{self._path} cannot be written: {fault}", hint="Is the disk full?"
            ) from fault


def line_of(arrival: Arrival) -> bytes:
    """The line of one message, its end included."""
    document: dict[str, Any] = {
        "at": rfc3339_from_ms(arrival.received_ms),
        "topic": arrival.topic,
        "payload": base64.b64encode(arrival.payload).decode(),
    }
    if arrival.content_type:
        document["type"] = arrival.content_type
    if arrival.retain:
        document["retain"] = True
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def arrivals_in(path: Path, faults: Notes) -> Iterator[tuple[int, Arrival]]:
    """Line number and message, in order; RecordingError where the file cannot be read."""
    try:
        with path.open("rb") as lines:
            number = 0
            while line := lines.readline(LONGEST_LINE):
                number += 1
                if not line.strip():
                    continue
                try:
                    yield number, _arrival(line)
                except (ValueError, KeyError, TypeError, binascii.Error) as fault:
                    torn = "" if line.endswith(b"\n") else " (torn at the end of the file)"
                    faults.note(number, f"no captured message{torn}: {fault}")
    except OSError as fault:
        raise RecordingError(f"{path} cannot be read: {fault}", hint="Is it yours to read?") from fault


def _arrival(line: bytes) -> Arrival:
    document = json.loads(line)
    if not isinstance(document, dict):
        raise ValueError("no JSON object")
    at, topic, kind = document["at"], document["topic"], document.get("type", "")
    if not all(isinstance(text, str) for text in (at, topic, kind)):
        raise ValueError("at, topic and type are text")
    payload = base64.b64decode(document["payload"], validate=True)
    return Arrival(topic, payload, ms_from_rfc3339(at), kind, document.get("retain") is True)


def readings_in(path: Path, decoding: Decoding, faults: Notes) -> Iterator[Reading]:
    """The readings that the decoder finds in a capture; what it would quarantine is noted by line."""
    decoder = Decoder(decoding.objects, decoding.numbers)
    for number, arrival in arrivals_in(path, faults):
        taken = take(decoder, arrival, decoding.calibrations)
        for fault in taken.faults:
            faults.note(number, f"{arrival.topic}: {fault}")
        yield from taken.readings


@dataclass(frozen=True, slots=True)
class Captured:
    """A capture as a recording: what the maker knew stands in a `.toml` of the same name, if there is one."""

    name: str
    title: str
    premise: Premise
    journal: tuple[JournalEntry, ...]
    truth: Truth
    path: Path
    decoding: Decoding

    def readings(self, faults: RowFaults | None = None) -> Iterator[Reading]:
        """The readings in order of arrival."""
        return readings_in(self.path, self.decoding, RowFaults() if faults is None else faults)


def sheet_beside(path: Path) -> Path:
    """Where the sheet of a capture would lie."""
    return path.with_suffix(".toml")


def opened(path: Path, decoding: Decoding, *, with_truth: bool = True) -> Captured:
    """A capture as a recording; without a sheet beside it the pitch is the first reading.

    Raises RecordingError where it holds no reading, or its sheet has a fault.
    """
    beside = sheet_beside(path)
    if beside.is_file():
        try:
            cells = tomllib.loads(beside.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as fault:
            raise RecordingError(f"{beside} cannot be read: {fault}", hint="Mend the TOML.") from fault
        sheet = sheet_from(cells, str(beside), with_truth=with_truth)
        return Captured(path.stem, sheet.title, sheet.premise, sheet.journal, sheet.truth, path, decoding)
    faults = RowFaults()
    first = next(readings_in(path, decoding, faults), None)
    if first is None:
        why = (
            f"line {faults.described[0][0]}: {faults.described[0][1]}" if faults.described else "it is empty"
        )
        raise RecordingError(
            f"{path} holds no reading: {why}",
            hint="The topics may need a mapping: --config FILE. A table is for carboyd import.",
        )
    return Captured(path.stem, path.stem, Premise(first.received_ms), (), Truth(), path, decoding)


def _require_capture(path: Path) -> None:
    faults = RowFaults()
    for _ in arrivals_in(path, faults):
        return
    raise RecordingError(
        f"{path} is there and is no capture", hint="Choose another file; nothing is overwritten."
    )


def _ends_with_newline(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"
