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
from http.client import HTTPException
from typing import Any, Final

from monitor.errors import InputError, StoreError, StoreUnavailableError

CHUNK_ROWS: Final = 10_000
LONGEST_ANSWER: Final = 64 * 1024 * 1024
"""Of one chunk, in bytes; a chunk is a line of the answer."""
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
    StoreUnavailableError where nobody answers.
    """
    try:
        with urllib.request.urlopen(_request(place, query), timeout=TIMEOUT_S) as answer:  # noqa: S310  checked
            while line := answer.readline(LONGEST_ANSWER):
                if line.strip():
                    yield from _blocks_in(line)
    except urllib.error.HTTPError as fault:
        with fault:
            raise _refusal(fault) from fault
    except (OSError, ValueError, HTTPException) as fault:  # no connection, or an answer that is none
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


def _blocks_in(line: bytes) -> Iterator[Block]:
    document = json.loads(line)
    if not isinstance(document, dict):
        raise StoreError("the answer is none of an InfluxDB")
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
