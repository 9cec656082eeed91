"""The thresholds that a page lets one try."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import Any

import httpx
import pytest
from starlette.applications import Starlette

from monitor.ferment.pipeline import Analysis
from monitor.web import tuning
from monitor.web.tuning import BUSY_S, knobs
from monitor.web.words import THRESHOLD

from .rooms import Visit, words_of

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


@contextmanager
def one_at_work(app: Starlette, monkeypatch: pytest.MonkeyPatch) -> Iterator[Future[httpx.Response]]:
    """A trial by somebody else that is being worked out; its answer comes once this is left."""
    begun, go_on = threading.Event(), threading.Event()
    witness = tuning.witness

    def slow(*given: Any) -> Any:
        begun.set()
        assert go_on.wait(PATIENCE_S)
        return witness(*given)

    monkeypatch.setattr(tuning, "witness", slow)
    other = Visit(app)
    with ThreadPoolExecutor(1) as pool:
        answer = pool.submit(other.json, "POST", ADDRESS, BODY)
        try:
            assert begun.wait(PATIENCE_S)
            yield answer
        finally:
            go_on.set()
            answer.result(PATIENCE_S)
            other.close()


def test_one_trial_is_worked_out_at_a_time(
    app: Starlette, visit: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever asks meanwhile is told when to come again, a program and a person each in their way."""
    with one_at_work(app, monkeypatch) as first:
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
