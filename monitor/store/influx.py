"""One InfluxDB server to write to, by its v2 write interface: what it answers is sorted into three kinds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final, Protocol

from influxdb_client import InfluxDBClient, WritePrecision, WriteService
from influxdb_client.client.exceptions import InfluxDBError
from urllib3.exceptions import HTTPError

from monitor.store.influx_target import InfluxTarget

CONNECT_MS: Final = 5_000
ANSWER_MS: Final = 20_000
LONGEST_WORDS: Final = 300
LONGEST_WAIT_S: Final = 600.0
"""A server that asks for more patience than this is asked again all the same."""

_WRITTEN: Final = 204
_DATA_FAULT: Final = {400, 413, 422}
"""Answers about what was sent. Any other fault is the server's or ours, and the data can wait."""


class Verdict(Enum):
    """What became of a write."""

    ACCEPTED = "accepted"
    REFUSED = "refused"
    """Something in what was sent is at fault; the same again would be refused again."""
    AWAY = "away"
    """Nothing was decided: try the same again later."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What a server said to a write."""

    verdict: Verdict
    reason: str = ""
    wait_s: float | None = None
    """How long the server asked to be left alone."""


class Server(Protocol):
    """Somewhere to write lines to."""

    @property
    def target(self) -> str:
        """Names server and bucket, without a secret."""
        ...

    def write(self, lines: Sequence[str]) -> Answer:
        """Write lines with times in milliseconds; returns when the server has answered. Never raises."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...


class InfluxServer:
    """A server by influxdb-client's synchronous call: its batching writer drops what it cannot deliver."""

    def __init__(self, target: InfluxTarget) -> None:
        self._secret = target.token
        self._bucket, self._org = target.bucket, target.org
        self._target = target.name
        self._client = InfluxDBClient(
            url=target.url,
            token=target.token,
            org=target.org,
            timeout=(CONNECT_MS, ANSWER_MS),
            ssl_ca_cert=None if target.ca_file is None else str(target.ca_file),
            retries=False,  # ours are patient and remember
        )
        self._writer = WriteService(self._client.api_client)

    @property
    def target(self) -> str:
        """Names server and bucket, without a secret."""
        return self._target

    def write(self, lines: Sequence[str]) -> Answer:
        """Write lines; see `Server`."""
        try:
            _, status, _ = self._writer.post_write_with_http_info(
                self._org,
                self._bucket,
                "\n".join(lines),
                precision=WritePrecision.MS,
                content_type="text/plain; charset=utf-8",
            )
        except InfluxDBError as error:
            status = getattr(error, "status", None) or getattr(error.response, "status", 0)
            words = self._words(f"{status} {_message(error)}")
            if status in _DATA_FAULT:
                return Answer(Verdict.REFUSED, words)
            return Answer(Verdict.AWAY, words, _wait_s(error.retry_after))
        except (HTTPError, OSError, ValueError) as error:
            # urllib3 begins with a picture of its own object
            return Answer(Verdict.AWAY, self._words(f"no answer: {str(error).rpartition('): ')[2]}"))
        if status != _WRITTEN:
            # whatever answers there with a page of its own has written nothing
            return Answer(Verdict.AWAY, f"{status} is not what a time-series server answers to a write")
        return Answer(Verdict.ACCEPTED)

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()

    def _words(self, text: str) -> str:
        """One line to show, in which a server that repeats our token does not."""
        shown = text.replace(self._secret, "...") if self._secret else text
        return " ".join(shown.split())[:LONGEST_WORDS]


def _message(error: InfluxDBError) -> str:
    message = error.message
    if isinstance(message, bytes):
        message = message.decode(errors="replace")
    headers: Mapping[str, str] = error.headers or {} if hasattr(error, "headers") else {}
    said = headers.get("X-Influxdb-Error")
    return str(said or message)


def _wait_s(header: object) -> float | None:
    """Seconds of a Retry-After header; None without one, and for the form with a date."""
    try:
        seconds = float(str(header))
    except ValueError:
        return None
    return min(max(seconds, 0.0), LONGEST_WAIT_S) if math.isfinite(seconds) else None
