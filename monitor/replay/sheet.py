"""`batch.toml` of a recording: what the maker knew, what was done, and, for scoring, what was true."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Final, TypeVar

from monitor.errors import RecordingError
from monitor.ferment.event import JournalEntry, JournalKind
from monitor.ferment.premise import Must, MustKind, Premise, Yeast
from monitor.ferment.score import Spell, Truth
from monitor.units import ms_from_datetime, ms_from_rfc3339, rfc3339_from_ms

Kind = TypeVar("Kind", bound=StrEnum)

TIME_KEYS: Final = {
    "finished_at": "finished_ms",
    "near_finish_at": "near_finish_ms",
    "half_dropped_at": "half_ms",
    "three_quarters_dropped_at": "three_quarters_ms",
    "sweetened_at": "sweetened_ms",
    "refermenting_from": "refermenting_ms",
    "silent_from": "silent_ms",
}
"""Marks of the truth that are times: key in the file, field of `Truth`."""
SPELL_KEYS: Final = {
    "stalls": "stalls",
    "silences": "silences",
    "temperature_low": "too_cold",
    "temperature_high": "too_warm",
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """What a `batch.toml` says."""

    title: str
    premise: Premise
    journal: tuple[JournalEntry, ...]
    truth: Truth


@dataclass(frozen=True, slots=True)
class _Table:
    """A TOML table that knows where it stands, so that a complaint can say so."""

    cells: Mapping[str, Any]
    file: str
    path: str = ""

    def fault(self, key: str, allowed: str) -> RecordingError:
        where = f"{self.path}.{key}" if self.path else key
        got = f" is {self.cells[key]!r}" if key in self.cells else " is missing"
        return RecordingError(f"{self.file}: {where}{got}", hint=f"{where} must be {allowed}.")

    def table(self, key: str) -> _Table:
        cells = self.cells.get(key, {})
        if not isinstance(cells, dict):
            raise self.fault(key, "a table")
        return _Table(cells, self.file, f"{self.path}.{key}" if self.path else key)

    def tables(self, key: str) -> list[_Table]:
        rows = self.cells.get(key, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise self.fault(key, "a list of tables")
        path = f"{self.path}.{key}" if self.path else key
        return [_Table(row, self.file, f"{path}[{place}]") for place, row in enumerate(rows)]

    def text(self, key: str) -> str | None:
        value = self.cells.get(key)
        if value is not None and not isinstance(value, str):
            raise self.fault(key, "text in quotes")
        return value

    def number(self, key: str, low: float, high: float) -> float | None:
        value = self.cells.get(key)
        if value is None:
            return None
        if not _is_number(value) or not low <= value <= high:
            raise self.fault(key, f"a number from {low:g} to {high:g}")
        return float(value)

    def span(self, key: str, low: float, high: float) -> tuple[float, float] | None:
        value = self.cells.get(key)
        if value is None:
            return None
        allowed = f"two numbers from {low:g} to {high:g}, the lower one first"
        if not isinstance(value, list) or len(value) != 2 or not all(_is_number(end) for end in value):
            raise self.fault(key, allowed)
        if not low <= value[0] <= value[1] <= high:
            raise self.fault(key, allowed)
        return float(value[0]), float(value[1])

    def time(self, key: str) -> int | None:
        value = self.cells.get(key)
        if value is None:
            return None
        try:
            if isinstance(value, str):
                return ms_from_rfc3339(value)
            if isinstance(value, datetime):
                return ms_from_datetime(value)
        except ValueError:
            pass
        raise self.fault(key, "a time with an offset, such as 2026-01-03T18:00:00Z")

    def moment(self, key: str) -> int:
        found = self.time(key)
        if found is None:
            raise self.fault(key, "a time with an offset, such as 2026-01-03T18:00:00Z")
        return found

    def word(self, key: str, kind: type[Kind]) -> Kind | None:
        value = self.cells.get(key)
        if value is None:
            return None
        try:
            return kind(value)
        except ValueError:
            raise self.fault(key, "one of " + ", ".join(kind)) from None


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def sheet_from(cells: Mapping[str, Any], file: str, *, with_truth: bool = True) -> Sheet:
    """The sheet in a parsed `batch.toml`; `file` is for complaints.

    Without the truth, what stands under `[truth]` is not even looked at.
    Raises RecordingError that names the key, its value and what is allowed.
    """
    top = _Table(cells, file)
    title = top.text("name")
    if title is None:
        raise top.fault("name", "the name of the batch in quotes")
    must, yeast, sensors = top.table("must"), top.table("yeast"), top.table("sensors")
    premise = Premise(
        pitched_ms=top.moment("pitched_at"),
        must=Must(
            kind=must.word("kind", MustKind),
            original_gravity_sg=must.number("original_gravity", 0.98, 1.25),
            volume_l=must.number("volume_l", 0.0, 1.0e6),
            expected_apparent_attenuation=must.span("expected_apparent_attenuation", 0.0, 1.5),
        ),
        yeast=Yeast(
            temperature_c=yeast.span("temperature_c", -10.0, 60.0),
            alcohol_tolerance_abv=yeast.number("alcohol_tolerance_abv", 0.0, 30.0),
        ),
        gravity_sensor=sensors.text("gravity"),
        temperature_sensor=sensors.text("temperature"),
    )
    entries = [_entry(row) for row in top.tables("events")]
    entries.sort(key=lambda entry: entry.at_ms)
    truth = _truth(top.table("truth")) if with_truth else Truth()
    return Sheet(title, premise, tuple(entries), truth)


def _entry(row: _Table) -> JournalEntry:
    kind = row.word("kind", JournalKind)
    if kind is None:
        raise row.fault("kind", "one of " + ", ".join(JournalKind))
    done_ms = row.moment("at")
    entered_ms = row.time("entered_at")
    return JournalEntry(
        kind, done_ms, done_ms if entered_ms is None else max(entered_ms, done_ms), row.text("note") or ""
    )


def _truth(table: _Table) -> Truth:
    marks: dict[str, Any] = {field: table.time(key) for key, field in TIME_KEYS.items()}
    for key, field in SPELL_KEYS.items():
        if key in table.cells:
            marks[field] = tuple(
                Spell(row.moment("from"), row.moment("until"), row.number("by", -100.0, 100.0))
                for row in table.tables(key)
            )
    marks["lost_marks"] = tuple(
        (row.moment("at"), row.number("points", 0.0, 1000.0) or 0.0)
        for row in table.tables("refermenting_lost")
    )
    return Truth(final_gravity_sg=table.number("final_gravity", 0.9, 1.25), **marks)


def sheet_text(title: str, premise: Premise, journal: Iterable[JournalEntry], truth: Truth) -> str:
    """A `batch.toml` that `sheet_from` reads back to the same values."""
    return "\n".join([*_premise_lines(title, premise), *_journal_lines(journal), *_truth_lines(truth)]) + "\n"


def _quoted(text: str) -> str:
    # JSON's escapes are among those of a TOML basic string; DEL must be escaped in TOML alone
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _premise_lines(title: str, premise: Premise) -> Iterator[str]:
    must, yeast = premise.must, premise.yeast
    yield f"name = {_quoted(title)}"
    yield f"pitched_at = {rfc3339_from_ms(premise.pitched_ms)}"
    tables = {
        "must": {
            "kind": None if must.kind is None else _quoted(must.kind),
            "original_gravity": _number(must.original_gravity_sg),
            "volume_l": _number(must.volume_l),
            "expected_apparent_attenuation": _span(must.expected_apparent_attenuation),
        },
        "yeast": {
            "temperature_c": _span(yeast.temperature_c),
            "alcohol_tolerance_abv": _number(yeast.alcohol_tolerance_abv),
        },
        "sensors": {
            "gravity": None if premise.gravity_sensor is None else _quoted(premise.gravity_sensor),
            "temperature": None
            if premise.temperature_sensor is None
            else _quoted(premise.temperature_sensor),
        },
    }
    for name, cells in tables.items():
        given = {key: value for key, value in cells.items() if value is not None}
        if given:
            yield f"\n[{name}]"
            yield from (f"{key} = {value}" for key, value in given.items())


def _number(value: float | None) -> str | None:
    return None if value is None else repr(float(value))


def _span(ends: tuple[float, float] | None) -> str | None:
    return None if ends is None else f"[{float(ends[0])!r}, {float(ends[1])!r}]"


def _journal_lines(journal: Iterable[JournalEntry]) -> Iterator[str]:
    for entry in journal:
        yield "\n[[events]]"
        yield f"at = {rfc3339_from_ms(entry.done_ms)}"
        if entry.at_ms != entry.done_ms:
            yield f"entered_at = {rfc3339_from_ms(entry.at_ms)}"
        yield f'kind = "{entry.kind}"'
        if entry.note:
            yield f"note = {_quoted(entry.note)}"


def _truth_lines(truth: Truth) -> Iterator[str]:
    lines = []
    for key, field in TIME_KEYS.items():
        time_ms = getattr(truth, field)
        if time_ms is not None:
            lines.append(f"{key} = {rfc3339_from_ms(time_ms)}")
    if truth.final_gravity_sg is not None:
        lines.append(f"final_gravity = {float(truth.final_gravity_sg)!r}")
    for key, field in SPELL_KEYS.items():
        spells = getattr(truth, field)
        if spells == () and field != "stalls":
            lines.append(f"{key} = []")
        elif spells:
            lines.append(f"{key} = [")
            lines += [f"  {_spell(spell)}," for spell in spells]
            lines.append("]")
    if truth.lost_marks:
        lines.append("refermenting_lost = [")
        lines += [
            f"  {{ at = {rfc3339_from_ms(at)}, points = {points!r} }}," for at, points in truth.lost_marks
        ]
        lines.append("]")
    if lines:
        yield "\n[truth]"
        yield from lines


def _spell(spell: Spell) -> str:
    by = "" if spell.by_c is None else f", by = {spell.by_c!r}"
    return f"{{ from = {rfc3339_from_ms(spell.from_ms)}, until = {rfc3339_from_ms(spell.until_ms)}{by} }}"
