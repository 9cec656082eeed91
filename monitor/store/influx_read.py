"""Rows out of an InfluxDB: one InfluxQL query over `/query`, read as it comes.

Every version from 1.x on answers it; 2.x and later where the database is mapped to a bucket. Only 1.x was
tried against a real server.
"""

from __future__ import annotations

import json
import re
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from http.client import HTTPException, HTTPResponse, IncompleteRead
from typing import Any, Final

from monitor.errors import InputError, StoreError, StoreUnavailableError
from monitor.units import rfc3339_from_ms

CHUNK_ROWS: Final = 10_000
LONGEST_ANSWER: Final = 64 * 1024 * 1024
"""Of one chunk, in bytes; a chunk is a line of the answer."""
PART_BYTES: Final = 64 * 1024
TIMEOUT_S: Final = 60.0
_ADDRESS: Final = re.compile(r"https?://[^\s\x00-\x1f\x7f]+")


@dataclass(frozen=True, slots=True)
class InfluxPlace:
    """Where to ask, and as whom."""

    url: str
    database: str = ""
    secret: str = field(default="", repr=False)
    """A token, or `user:password`; empty where none is needed."""


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows of one series."""

    name: str
    tags: tuple[tuple[str, str], ...]
    columns: tuple[str, ...]
    """The first is `time`, whose values are integer milliseconds."""
    rows: list[list[Any]]


def blocks(place: InfluxPlace, query: str) -> Generator[Block, None, None]:
    """The answer to a query, series by series.

    Raises InputError for an address or a query that is none, StoreError where it is refused,
    StoreUnavailableError where nobody answers, or the answer breaks off.
    """
    count, last_ms, unfinished = 0, None, False
    try:
        with urllib.request.urlopen(_request(place, query), timeout=TIMEOUT_S) as answer:  # noqa: S310  checked
            for line in _lines(answer):
                document = _document(line)
                unfinished = any(result.get("partial") for result in document.get("results", []))
                for block in _blocks_in(document):
                    yield block
                    count += len(block.rows)
                    last_ms = block.rows[-1][0] if block.rows else last_ms
        if unfinished:
            raise IncompleteRead(b"")
    except urllib.error.HTTPError as fault:
        with fault:
            raise _refusal(fault) from fault
    except (OSError, ValueError, HTTPException) as fault:  # no connection, or an answer that is none
        if count:
            raise _broken_off(place, count, last_ms) from fault
        reason = getattr(fault, "reason", fault)
        raise StoreUnavailableError(
            f"no answer from {place.url}: {reason}",
            hint="Is that the address of an InfluxDB, and does it run?",
        ) from fault


def _request(place: InfluxPlace, query: str) -> urllib.request.Request:
    if not _ADDRESS.fullmatch(place.url):
        raise InputError(f"{place.url!r} is no address of a database", hint="such as http://127.0.0.1:8086")
    form = {"q": query, "epoch": "ms", "chunked": "true", "chunk_size": str(CHUNK_ROWS)}
    if place.database:
        form["db"] = place.database
    user, colon, password = place.secret.partition(":")
    headers = {}
    if colon:
        form |= {"u": user, "p": password}
    elif place.secret:
        headers["Authorization"] = f"Token {place.secret}"
    # sent as a form, so that neither query nor password stands in a log of addresses
    return urllib.request.Request(  # noqa: S310  the scheme is checked above
        place.url.rstrip("/") + "/query", data=urllib.parse.urlencode(form).encode(), headers=headers
    )


def _lines(answer: HTTPResponse) -> Iterator[bytes]:
    """The lines that are no blanks; an error where the answer ends before its end.

    The response's own readline takes a connection that is lost between two chunks for the end.
    """
    rest, part, cut = b"", b"", None
    while cut is None:
        try:
            part = answer.read(PART_BYTES)
        except IncompleteRead as fault:
            part, cut = fault.partial, fault
        if not part:
            break
        *whole, rest = (rest + part).split(b"\n")
        yield from (line for line in whole if line.strip())
        if len(rest) > LONGEST_ANSWER:
            raise ValueError(f"a chunk of it is longer than {LONGEST_ANSWER} bytes")
    if cut is not None or answer.length:
        raise IncompleteRead(rest, answer.length)
    if rest.strip():
        yield rest


def _document(line: bytes) -> dict[str, Any]:
    document = json.loads(line)
    if not isinstance(document, dict):
        raise StoreError("the answer is none of an InfluxDB")
    return document


def _blocks_in(document: dict[str, Any]) -> Iterator[Block]:
    _raise_error(document)
    for result in document.get("results", []):
        _raise_error(result)
        for series in result.get("series", []):
            columns = tuple(str(column) for column in series["columns"])
            if not columns or columns[0] != "time":
                raise InputError(
                    f"the query gives {', '.join(columns)} and no time",
                    hint='Ask for measured values, such as: SELECT * FROM "readings"',
                )
            tags = tuple((str(name), str(text)) for name, text in sorted(series.get("tags", {}).items()))
            yield Block(str(series.get("name", "")), tags, columns, series.get("values", []))


def _raise_error(part: dict[str, Any]) -> None:
    if "error" in part:
        raise InputError(f"the database refuses the query: {part['error']}", hint="It must be InfluxQL.")


def _broken_off(place: InfluxPlace, count: int, last_ms: object) -> StoreUnavailableError:
    last = f", the last of {rfc3339_from_ms(last_ms)}" if isinstance(last_ms, int) else ""
    rows = "1 row" if count == 1 else f"{count} rows"
    return StoreUnavailableError(
        f"the answer from {place.url} broke off after {rows}{last}: nothing of it is taken",
        hint="Import it again: what is there already is not taken twice. Where it breaks off again, ask for"
        " less at a time, such as: ... WHERE time >= '2026-03-01' AND time < '2026-04-01'",
    )


def _refusal(fault: urllib.error.HTTPError) -> InputError | StoreError:
    text = fault.read(2_000).decode("utf-8", "replace")
    try:
        document = json.loads(text)
        said = document.get("error") or document.get("message") or text
    except (ValueError, AttributeError):
        said = text
    if fault.code in (401, 403):
        return StoreError(
            f"the database lets nobody in: {said}", hint="Give a token or user:password by --secret-file."
        )
    if fault.code in (400, 404):
        return InputError(
            f"the database refuses the query: {said}",
            hint="It must be InfluxQL, and --database must be there.",
        )
    return StoreUnavailableError(f"the database answers {fault.code}: {said}")
