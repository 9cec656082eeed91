"""Alerts by command: listed, acknowledged, silenced."""

from __future__ import annotations

import json

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, NotFoundError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity


@pytest.fixture
def stalled(store):
    """A batch that is stalled."""
    store.batches.start(Sheet(slug="porch", name="Porch", pitched_ms=0), at_ms=0)
    change = AlertChange(
        5_000, AlertKind.STALLED, AlertState.FIRING, 5_000, Severity.ACT, "Stalled: fell 0.1 points in 48 h."
    )
    return store.alerts.record("porch", change, channels=("phone",), now_ms=5_000)


def test_what_fires_is_listed_with_its_number(carboyd_command, stalled):
    """The number is what the other commands take; the message is whole."""
    shown = carboyd_command("alerts").output
    assert f"{stalled.id}  porch  stalled" in shown
    assert "Stalled: fell 0.1 points in 48 h." in shown
    (document,) = json.loads(carboyd_command("alerts", "--json").output)
    assert (document["alert"], document["since"]) == ("stalled", "1970-01-01T00:00:05Z")


def test_nothing_fires(carboyd_command):
    """An empty list is said in words."""
    assert carboyd_command("alerts").output == "Nothing fires.\n"


def test_an_alert_is_acknowledged_once_and_for_all(carboyd_command, store, stalled):
    """The first acknowledgement stays."""
    assert carboyd_command("acknowledge", str(stalled.id)).exit_code == 0
    assert store.alerts.get(stalled.id).acknowledged_ms is not None
    assert "acknowledged" in carboyd_command("alerts").output


def test_an_unknown_number_is_said(carboyd_command):
    """NotFoundError, not a silent success."""
    assert isinstance(carboyd_command("acknowledge", "77").exception, NotFoundError)


def test_a_silence_has_a_length_and_shows(carboyd_command, store, stalled):
    """`--for 8h` of one batch is in force and listed with its end."""
    assert carboyd_command("silence", "--for", "8h", "--batch", "porch").exit_code == 0
    shown = carboyd_command("alerts").output
    assert "everything of porch, until" in shown


def test_a_silence_without_a_proper_length_is_refused(carboyd_command):
    """`--for ever` is no length of time."""
    done = carboyd_command("silence", "--for", "ever")
    assert isinstance(done.exception, InputError)
    assert "8h" in done.exception.hint
