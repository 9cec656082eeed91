"""The thresholds that a page lets one try."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, cast

import httpx
import pytest

from monitor.errors import InputError
from monitor.ferment.event import Event
from monitor.ferment.pipeline import Analysis
from monitor.store.base import Store
from monitor.store.sql import SqlStore
from monitor.web.app import create_app
from monitor.web.options import WebSettings
from monitor.web.tuning import BUSY_S, knobs, tuned
from monitor.web.words import THRESHOLD

from .rooms import Cellar, Visit, words_of

PAGE = "/batches/hedgerow-session/tune?finished_dwell=2"
ADDRESS = "/api/v1/batches/hedgerow-session/tune"
BODY = {"thresholds": {"finished_dwell": 2}}
PATIENCE_S = 60.0


def test_every_threshold_is_asked_for_in_words_of_its_own() -> None:
    """None is missing, none is left over, no two read the same."""
    found = knobs(Analysis())
    assert {knob.name for knob in found} == set(THRESHOLD)
    assert len({knob.label for knob in found}) == len(found)
    assert not any("_" in knob.label for knob in found)


class SlowBatches:
    """The batches of a store that says what happened to one only once it may go on."""

    def __init__(self, store: SqlStore) -> None:
        self.asked, self.go_on = threading.Event(), threading.Event()
        self._batches = store.batches

    def __getattr__(self, name: str) -> Any:
        return getattr(self._batches, name)

    def events(self, slug: str) -> Iterator[Event]:
        """What happened in a batch, after a wait."""
        self.asked.set()
        assert self.go_on.wait(PATIENCE_S)
        return self._batches.events(slug)


class SlowStore:
    """A store that is slow with its batches alone."""

    def __init__(self, store: SqlStore) -> None:
        self.batches = SlowBatches(store)
        self._store = store

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)


@contextmanager
def one_at_work(other: Visit, slow: SlowStore) -> Iterator[Future[httpx.Response]]:
    """A trial by somebody else that is being worked out; its answer comes once this is left."""
    with ThreadPoolExecutor(1) as pool:
        answer = pool.submit(other.json, "POST", ADDRESS, BODY)
        try:
            assert slow.batches.asked.wait(PATIENCE_S)
            yield answer
        finally:
            slow.batches.go_on.set()
            answer.result(PATIENCE_S)


def test_one_trial_is_worked_out_at_a_time(busy: Cellar, visiting: Callable[..., Visit]) -> None:
    """Whoever asks meanwhile is told when to come again, a program and a person each in their way."""
    slow = SlowStore(busy.store)
    app = create_app(replace(busy.ports(), store=cast(Store, slow)), WebSettings())
    visit = visiting(app)
    with one_at_work(visiting(app), slow) as first:
        refused = visit.json("POST", ADDRESS, BODY)
        page = visit.get(PAGE)
        assert visit.get("/batches/hedgerow-session/tune").status_code == 200  # nothing is tried yet
    for answer in (refused, page):
        assert answer.status_code == 503
        assert answer.headers["retry-after"] == str(BUSY_S)
    assert "one trial is worked out at a time" in refused.json()["detail"]
    assert "Other thresholds are being tried just now" in words_of(page.text)
    assert first.result().status_code == 200
    assert visit.get(PAGE).status_code == 200


def test_a_trial_that_fails_lets_the_next_one_in(visit: Visit) -> None:
    """After one of a batch that is not there, and one that cannot be tried, others can be."""
    assert visit.json("POST", "/api/v1/batches/none/tune", BODY).status_code == 404
    assert visit.json("POST", ADDRESS, {"thresholds": {"patience": 1}}).status_code == 422
    assert visit.json("POST", ADDRESS, BODY).status_code == 200


def test_a_chance_is_tried_up_to_one() -> None:
    """More than certain is nothing to try, though it were less than twenty times what is set."""
    assert {one.name: (one.highest, one.slide) for one in knobs(Analysis())}["finished_doubt"] == (
        1.0,
        pytest.approx(0.42),
    )
    with pytest.raises(InputError, match=r"stalled_doubt = 1\.2: 0 to 1"):
        tuned(Analysis(), {"stalled_doubt": 1.2})
