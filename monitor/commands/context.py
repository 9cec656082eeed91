"""What commands share: the configuration option, the store, times and gravities as people type them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from monitor.clock import SystemClock
from monitor.errors import InputError
from monitor.sensors.decoded import LATEST_MS
from monitor.settings import Loaded, load
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_DAY, MS_PER_HOUR, MS_PER_MINUTE, datetime_from_ms, ms_from_datetime

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

_AGO: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(min|h|d|w)(?:\s+ago)?")
_MS_OF: Final = {"min": MS_PER_MINUTE, "h": MS_PER_HOUR, "d": MS_PER_DAY, "w": 7 * MS_PER_DAY}


def config_option(command: Decorated) -> Decorated:
    """`--config FILE`, handed over as `config`."""
    return click.option(
        "--config",
        type=click.Path(dir_okay=False, path_type=Path),
        envvar="CARBOYD_CONFIG",
        help="Configuration file (TOML). Without one, carboyd's own defaults hold.",
    )(command)


def json_option(command: Decorated) -> Decorated:
    """`--json`, handed over as `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON for programs.")(command)


@contextmanager
def opened(config: Path | None) -> Iterator[SqlStore]:
    """The store that the configuration names, while in use."""
    loaded = load(config)
    with SqlStore(store_options(loaded)) as store:
        yield store


def store_options(loaded: Loaded) -> StoreOptions:
    """How to open the configured store; makes the data directory where it is ours."""
    if loaded.settings.store.url is None:
        loaded.data_dir.mkdir(parents=True, exist_ok=True)
    return StoreOptions(loaded.store_url, quarantine_rows=loaded.settings.store.quarantine_rows)


def now_ms() -> int:
    """The time now."""
    return SystemClock().now_ms()


def span_ms(text: str) -> int:
    """Milliseconds of `30min`, `8h`, `2d`, `1w`; InputError where it is none of these."""
    found = _AGO.fullmatch(text.strip())
    if found is None:
        raise InputError(f"{text!r} is not a length of time", hint="write 30min, 8h, 2d or 1w")
    return round(float(found[1]) * _MS_OF[found[2]])


def time_ms(text: str | None, default_ms: int) -> int:
    """When: RFC 3339, a local `2026-01-03 18:00`, or `6h ago`.

    InputError where it is none of these, or no time that a reading could have.
    """
    if text is None:
        return default_ms
    try:
        found_ms = _time_ms(text.strip(), default_ms)
    except (ValueError, OverflowError):
        raise InputError(
            f"{text!r} is not a time",
            hint="write 2026-01-03T18:00:00Z, '2026-01-03 18:00' (local) or '6h ago'",
        ) from None
    if not 0 <= found_ms <= LATEST_MS:
        raise InputError(f"{text!r} is not between 1970 and 2200", hint="check the year, or how long ago")
    return found_ms


def _time_ms(text: str, now_ms: int) -> int:
    if _AGO.fullmatch(text):
        return now_ms - span_ms(text)
    moment = datetime.fromisoformat(text)
    return ms_from_datetime(moment.astimezone() if moment.tzinfo is None else moment)


def local(moment_ms: int | None) -> str:
    """A time for people: local, to the minute; a dash for none."""
    if moment_ms is None:
        return "-"
    return datetime_from_ms(moment_ms).astimezone().strftime("%Y-%m-%d %H:%M")


def print_json(value: object) -> None:
    """JSON on standard output."""
    click.echo(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False))
