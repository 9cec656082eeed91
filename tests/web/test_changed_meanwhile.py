"""A sheet that two change at once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from monitor.batch.sheet import Sheet
from monitor.web import actions

from .rooms import Cellar, Visit

SLUG = "plum-batch"
API = f"/api/v1/batches/{SLUG}"
HEAD_START_S = 0.3
"""Long enough for an end to be written, were it not made to wait."""


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
    busy: Cellar, visit: Visit, monkeypatch: pytest.MonkeyPatch, change: Callable[[Visit], httpx.Response]
) -> None:
    """Who changes a sheet while somebody ends the batch does not open it again; both are kept."""
    end = {"ended_ms": busy.now_ms - 1_000, "at_ms": busy.now_ms}
    ender = threading.Thread(target=busy.store.batches.end, args=(SLUG,), kwargs=end)
    require_pitched: Callable[[Sheet, int], None] = actions.require_pitched

    def meanwhile(*given: Any) -> None:
        # between what was read and what is written
        ender.start()
        ender.join(HEAD_START_S)
        require_pitched(*given)

    monkeypatch.setattr(actions, "require_pitched", meanwhile)
    answer = change(visit)
    ender.join()
    assert answer.status_code in (200, 303)
    sheet = busy.store.batches.get(SLUG)
    assert sheet.ended_ms == end["ended_ms"]
    assert sheet.other_sensors == ("room",)
