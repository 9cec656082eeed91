"""A sheet that two change at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore

from .rooms import Cellar, Visit

SLUG = "plum-batch"
API = f"/api/v1/batches/{SLUG}"


@pytest.fixture
def url(tmp_path: Path) -> str:
    """Where the cellar keeps everything, so that others can open it too."""
    return f"sqlite:///{tmp_path}/carboyd.sqlite"


@pytest.fixture
def cellar(url: str) -> Iterator[Cellar]:
    """A cellar that is kept in a file."""
    with SqlStore(StoreOptions(url)) as store:
        yield Cellar(store)


def tied(visit: Visit) -> httpx.Response:
    """A program puts a sensor into the batch."""
    return visit.json("POST", f"{API}/sensors", {"sensor": "room", "role": "other"})


def tied_by_form(visit: Visit) -> httpx.Response:
    """A person puts a sensor into the batch."""
    return visit.post("/setup/sensors", {"batch": SLUG, "sensor": "room", "role": "other"})


def patched(visit: Visit) -> httpx.Response:
    """A program changes one member of the sheet."""
    return visit.json("PATCH", f"{API}/sheet", {"other_sensors": ["room"]})


def rewritten(visit: Visit) -> httpx.Response:
    """A person sends the whole form of the sheet."""
    return visit.post(
        f"/batches/{SLUG}/sheet", {"name": "Plum", "must_kind": "honey", "other_sensors": "room"}
    )


@pytest.mark.parametrize("change", [tied, tied_by_form, patched, rewritten])
def test_an_end_set_meanwhile_stays(
    busy: Cellar,
    visit: Visit,
    url: str,
    just_before_a_write: Callable[[Callable[[], object]], None],
    change: Callable[[Visit], httpx.Response],
) -> None:
    """Who changes a sheet while somebody ends the batch does not open it again; both are kept."""
    ended_ms = busy.now_ms - 1_000
    with SqlStore(StoreOptions(url)) as other:
        just_before_a_write(lambda: other.batches.end(SLUG, ended_ms=ended_ms, at_ms=busy.now_ms))
        answer = change(visit)
    assert answer.status_code in (200, 303)
    sheet = busy.store.batches.get(SLUG)
    assert sheet.ended_ms == ended_ms
    assert sheet.other_sensors == ("room",)
