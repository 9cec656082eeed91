"""Alerts by command: listed, acknowledged, silenced."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from monitor.batch.sheet import Sheet
from monitor.batch.told import to_plain
from monitor.commands.context import local
from monitor.errors import InputError, NotFoundError
from monitor.ferment.emission import AlertChange, AlertKind, AlertState, Severity
from monitor.ferment.pipeline import Pipeline
from monitor.store.values import StoredStanding
from monitor.units import MS_PER_DAY
from monitor.untold import TOLD_SOON


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


def test_what_stands_for_days_has_the_figures_of_the_last_look(carboyd_command, store, stalled):
    """As on the page, with the time that they are of; where no look is kept, those of when it fired."""
    shown = carboyd_command("alerts").output
    assert f"(by the figures of {local(5_000)})" in shown
    (document,) = json.loads(carboyd_command("alerts", "--json").output)
    assert document["figures_of"] == "1970-01-01T00:00:05Z"
    now = AlertChange(5_000, AlertKind.STALLED, AlertState.FIRING, 5_000, Severity.ACT, "Stalled: fell 0.02.")
    snapshot = Pipeline(Sheet(slug="porch", name="Porch", pitched_ms=0).premise()).snapshot
    looked_ms = 3 * MS_PER_DAY
    looked = replace(snapshot, at_ms=looked_ms, open_alerts=(now,))
    store.standings.put([StoredStanding("porch", looked_ms, {}, to_plain(looked, ()))])
    shown = carboyd_command("alerts").output
    assert "Stalled: fell 0.02." in shown
    assert "0.1 points" not in shown
    assert f"(by the figures of {local(looked_ms)})" in shown
    assert f"since {local(5_000)}" in shown
    (document,) = json.loads(carboyd_command("alerts", "--json").output)
    assert (document["message"], document["figures_of"]) == ("Stalled: fell 0.02.", "1970-01-04T00:00:00Z")
    over = replace(now, state=AlertState.RESOLVED, at_ms=looked_ms, message="Falls again.")
    store.alerts.record("porch", over, now_ms=looked_ms)
    shown = carboyd_command("alerts", "--all").output
    # what is over is told as it was told
    assert "0.1 points" in shown
    assert "by the figures of" not in shown


def test_nothing_fires(carboyd_command):
    """An empty list is said in words."""
    assert carboyd_command("alerts").output == "Nothing fires.\n"


def test_what_was_found_in_a_backlog_is_listed_before_it_is_told(carboyd_command, store):
    """It stands in the last look and has no number yet; once it fires it is listed with one, and once."""
    sheet = Sheet(slug="porch", name="Porch", pitched_ms=0)
    store.batches.start(sheet, at_ms=0)
    found = AlertChange(
        5_000, AlertKind.STALLED, AlertState.FIRING, 5_000, Severity.ACT, "Stalled: so it is."
    )
    looked = replace(Pipeline(sheet.premise()).snapshot, open_alerts=(found,))
    store.standings.put([StoredStanding("porch", 5_000, {}, to_plain(looked, ()))])
    shown = carboyd_command("alerts").output
    assert f"porch  stalled  [found in a backlog, {TOLD_SOON}]" in shown
    assert "Stalled: so it is." in shown
    assert "Nothing fires" not in shown
    store.alerts.record("porch", found, now_ms=5_000)
    assert "backlog" not in carboyd_command("alerts").output


def test_an_alert_is_acknowledged_once_and_for_all(carboyd_command, store, stalled):
    """The first acknowledgement stays."""
    assert carboyd_command("acknowledge", str(stalled.id)).exit_code == 0
    assert store.alerts.get(stalled.id).acknowledged_ms is not None
    assert "acknowledged" in carboyd_command("alerts").output


def test_several_alerts_are_acknowledged_at_once(carboyd_command, store, stalled):
    """All of them, or none where one is not there."""
    change = AlertChange(6_000, AlertKind.NUTRIENT_DUE, AlertState.FIRING, 6_000, Severity.NOTE, "Due.")
    second = store.alerts.record("porch", change, now_ms=6_000)
    numbers = [str(stalled.id), str(second.id)]
    assert isinstance(carboyd_command("acknowledge", *numbers, "77").exception, NotFoundError)
    assert store.alerts.get(stalled.id).acknowledged_ms is None
    assert carboyd_command("acknowledge", *numbers).output.count("Acknowledged") == 2
    assert store.alerts.get(second.id).acknowledged_ms is not None


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


def test_a_silence_is_ended_by_its_number(carboyd_command, store, stalled):
    """It is in force no more; without a length or a number nothing happens."""
    carboyd_command("silence", "--for", "8h", "--batch", "porch")
    assert carboyd_command("silence", "--end", "1").output == "Silence 1 has ended.\n"
    assert "silence" not in carboyd_command("alerts").output
    again = carboyd_command("silence", "--end", "1").exception
    assert isinstance(again, NotFoundError)
    assert "`carboyd alerts` lists those that hold" in again.hint
    assert isinstance(carboyd_command("silence").exception, InputError)
    assert isinstance(carboyd_command("silence", "--end", "1", "--for", "8h").exception, InputError)


def test_a_message_is_told_in_us_units_where_they_are_set(carboyd_command, config, store, stalled):
    """4 degC are 39.2 degF, on the list as in the status."""
    change = AlertChange(
        6_000, AlertKind.TEMPERATURE_LOW, AlertState.FIRING, 6_000, Severity.ACT, "Too cold: 4.0 degC."
    )
    store.alerts.record("porch", change, now_ms=6_000)
    assert "Too cold: 4.0 degC." in carboyd_command("alerts").output
    config.write_text(config.read_text() + '[display]\nunits = "us"\n')
    assert "Too cold: 39.2 degF." in carboyd_command("alerts").output


@pytest.fixture
def hook() -> Iterator[tuple[str, list[dict[str, str]]]]:
    """The address of a web hook that accepts everything, and what it got."""
    got: list[dict[str, str]] = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Hook) as server:
        server.daemon_threads = True
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"json://127.0.0.1:{server.server_port}/", got
        server.shutdown()
        thread.join()


def test_a_notice_is_tried_on_every_channel(carboyd_command, config, store, hook):
    """One that listens and one that does not: both are named, the status is 1, and the digest goes too."""
    address, got = hook
    config.write_text(
        config.read_text()
        + f'[[notify.channels]]\nname = "hook"\nurl = "{address}"\n'
        + '[[notify.channels]]\nname = "gone"\nurl = "json://127.0.0.1:9/"\n'
    )
    done = carboyd_command("notice")
    assert done.exit_code == 1
    assert "hook: accepted" in done.output
    assert "gone: gone did not accept" in done.output
    assert isinstance(carboyd_command("notice", "--digest").exception, InputError)
    store.batches.start(Sheet(slug="porch", name="Porch", pitched_ms=0), at_ms=0)
    assert carboyd_command("notice", "--digest", "--channel", "hook").exit_code == 0
    assert isinstance(carboyd_command("notice", "--channel", "owl").exception, InputError)
    assert [one["title"].split(": ")[-1] for one in got] == [
        "A test notice from carboyd",
        "1 open batch, nothing needs you",
    ]
