"""What watched batches say, on its way into the store of alerts and out."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.announcing import Announcer
from monitor.errors import ClaimLostError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.ferment.pipeline import Analysis
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore
from monitor.store.values import Claim
from monitor.telling import Teller
from monitor.watched import Watched, taken_up

from .porch import PITCHED_MS, PORCH

COLD = AlertChange(
    PITCHED_MS, AlertKind.TEMPERATURE_LOW, AlertState.FIRING, PITCHED_MS, Severity.ACT, "Too cold."
)


def _teller(store: SqlStore, woken: list[str]) -> Teller:
    out = Announcer(store, lambda _topic, _payload: None, "carboyd", None)
    return Teller(store, out, ("phone",), lambda: woken.append("courier"))


def _batch(store: SqlStore, claim: Claim | None = None) -> Watched:
    store.batches.start(PORCH, at_ms=PITCHED_MS)
    watched, _ = taken_up(PORCH, Analysis(), claim, None)
    return watched


@pytest.fixture
def store() -> Iterator[SqlStore]:
    """A store in memory."""
    with SqlStore(StoreOptions("sqlite://")) as opened:
        yield opened


def test_what_is_to_be_told_wakes_the_courier_and_what_is_not_is_only_recorded(store: SqlStore) -> None:
    """Both are in the store afterwards, one of them with a delivery; nothing is left unsaid."""
    woken: list[str] = []
    watched = _batch(store)
    hot = AlertChange(
        PITCHED_MS, AlertKind.TEMPERATURE_HIGH, AlertState.FIRING, PITCHED_MS, Severity.ACT, "Too warm."
    )
    watched.unsaid.extend([(COLD, True), (hot, False)])
    _teller(store, woken).record(watched, PITCHED_MS)
    assert {one.kind for one in store.alerts.listed()} == {COLD.kind, hot.kind}
    assert [one.alert.kind for one in store.outbox.waiting()] == [COLD.kind]
    assert woken == ["courier"]
    assert not watched.unsaid


def test_what_fires_no_more_after_a_rebuild_is_withdrawn(store: SqlStore) -> None:
    """The store says that it fires, the pipeline does not."""
    watched = _batch(store)
    store.alerts.record("porch", COLD, now_ms=PITCHED_MS)
    _teller(store, []).record_history(watched, [], PITCHED_MS, anew=True)
    assert store.alerts.listed(only_firing=True) == []


def test_nothing_is_said_under_a_claim_that_is_lost(server_url: str) -> None:
    """The store refuses it; what there was to say is still there to be said by another."""
    with SqlStore(StoreOptions(server_url)) as store:
        watched = _batch(store, Claim("porch", "nobody", 1))
        watched.unsaid.append((COLD, True))
        with pytest.raises(ClaimLostError):
            _teller(store, []).record(watched, PITCHED_MS)
        assert store.alerts.listed() == []
        assert watched.unsaid
