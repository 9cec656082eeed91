"""Moments at the edge of the calendar, as a slip of the keyboard makes them."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from monitor.web.app import create_app
from monitor.web.options import WebSettings

from .rooms import Cellar, Visit, words_of

SLUG = "hedgerow-session"
BATCH = f"/batches/{SLUG}"
EDGES = ("0001-01-01T00:00+14:00", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59-14:00", "9999-12-31T23:59")


@pytest.mark.parametrize("zone", ["America/Los_Angeles", "Pacific/Kiritimati"])
@pytest.mark.parametrize("field", ["done", "done_utc"])
def test_a_moment_off_the_calendar_is_refused_in_words(
    busy: Cellar, visiting: Callable[..., Visit], zone: str, field: str
) -> None:
    """Whether the offset or the reader's zone carries it there: nothing is written, the page stays whole."""
    visitor = visiting(create_app(busy.ports(), WebSettings(time_zone=zone)))
    token = visitor.token("/setup")
    for edge in EDGES:
        answer = visitor.post(f"{BATCH}/journal", {"kind": "racked", field: edge}, token=token)
        assert answer.status_code == 422
        assert words_of(answer.text).startswith("That could not be taken")
        assert "done" in words_of(answer.text).lower()
    assert busy.store.batches.journal(SLUG) == []
    assert visitor.get(BATCH).status_code == 200


def test_nothing_was_done_before_1970(busy: Cellar, visit: Visit) -> None:
    """Such a time is refused like one that lies ahead, and the batch's page can still be made."""
    answer = visit.post(f"{BATCH}/journal", {"kind": "racked", "done_utc": "1969-12-31T23:59:59Z"})
    assert answer.status_code == 422
    assert "Done at a time before 1970." in words_of(answer.text)
    assert busy.store.batches.journal(SLUG) == []
    sample = {"reading_sg": "1.020", "sample_temperature": "20", "taken_utc": "0001-01-01T00:00:00Z"}
    assert "Taken at a time before 1970." in words_of(visit.post(f"{BATCH}/sample", sample).text)
    assert visit.get(BATCH).status_code == 200


def test_a_batch_is_not_pitched_off_the_calendar(busy: Cellar, visit: Visit) -> None:
    """The form for a new batch refuses it with words, and begins nothing."""
    before = busy.store.batches.open_slugs()
    for edge in EDGES:
        answer = visit.post("/setup/batches", {"name": "Sloe", "must_kind": "honey", "pitched": edge})
        assert answer.status_code == 422
        assert "pitch" in words_of(answer.text).lower()
    assert busy.store.batches.open_slugs() == before
