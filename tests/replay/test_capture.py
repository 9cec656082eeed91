"""Captured messages are kept as they came and understood as the daemon would."""

from __future__ import annotations

import base64
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import RecordingError
from monitor.ferment.pipeline import Pipeline
from monitor.replay.capture import CaptureFile, Decoding, arrivals_in, line_of, opened, readings_in
from monitor.replay.player import play
from monitor.replay.recording import RowFaults
from monitor.sensors.arrivals import Arrival
from monitor.sensors.calibration import Pair, fit_calibration
from monitor.sensors.mapping import NumberMapping
from monitor.units import Quantity, ms_from_rfc3339

SIX_MS = ms_from_rfc3339("2026-03-01T06:00:00Z")
PACK = b'[{"n":"float-a:density","u":"kg/m3","v":1041.0},{"n":"float-a:temperature","u":"Cel","v":18.2}]'
MESSAGE = Arrival("carboyd/readings/float-a", PACK, SIX_MS)


def captured(folder: Path, *arrivals: Arrival) -> Path:
    path = folder / "loft.jsonl"
    with CaptureFile(path) as out:
        out.write(arrivals)
    return path


@given(
    topic=st.text(min_size=1, max_size=40),
    payload=st.binary(max_size=200),
    at_ms=st.integers(0, 4_000_000_000_000),
    kind=st.sampled_from(["", "application/senml+json"]),
    retain=st.booleans(),
)
def test_any_message_comes_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, topic: str, payload: bytes, at_ms: int, kind: str, retain: bool
) -> None:
    """Topic, bytes, arrival to the millisecond, content type and retain flag; one line each."""
    arrival = Arrival(topic, payload, at_ms, kind, retain)
    line = line_of(arrival)
    assert line.count(b"\n") == 1
    path = tmp_path_factory.mktemp("one") / "one.jsonl"
    path.write_bytes(line)
    assert list(arrivals_in(path, RowFaults())) == [(1, arrival)]


def test_a_line_is_plain_json_with_base64(tmp_path: Path) -> None:
    """RFC 8259 and RFC 4648: any program can read it."""
    document = json.loads(captured(tmp_path, MESSAGE).read_text())
    assert document["at"] == "2026-03-01T06:00:00Z"
    assert base64.b64decode(document["payload"]) == PACK
    assert set(document) == {"at", "topic", "payload"}


def test_writing_goes_on_where_it_stopped(tmp_path: Path) -> None:
    """Even behind a line that a power cut tore in two."""
    path = captured(tmp_path, MESSAGE)
    with path.open("ab") as file:
        file.write(line_of(MESSAGE)[:40])
    captured(tmp_path, MESSAGE, MESSAGE)
    faults = RowFaults()
    assert [number for number, _ in arrivals_in(path, faults)] == [1, 3, 4]
    assert [line for line, _ in faults.described] == [2]


def test_a_line_torn_at_the_end_is_said_to_be(tmp_path: Path) -> None:
    """The rest is used."""
    path = captured(tmp_path, MESSAGE)
    with path.open("ab") as file:
        file.write(line_of(MESSAGE)[:-10])
    faults = RowFaults()
    assert len(list(arrivals_in(path, faults))) == 1
    assert "torn" in faults.described[0][1]


@pytest.mark.parametrize(
    "line",
    [
        "[]",
        "7",
        '{"at":"2026-03-01T06:00:00Z","topic":"a"}',
        '{"at":"2026-03-01T06:00:00","topic":"a","payload":""}',
        '{"at":"2026-03-01T06:00:00Z","topic":3,"payload":""}',
        '{"at":"2026-03-01T06:00:00Z","topic":"a","payload":"***"}',
        '{"at":5,"topic":"a","payload":""}',
    ],
)
def test_a_foul_line_is_noted_and_left_out(tmp_path: Path, line: str) -> None:
    """By its number."""
    path = tmp_path / "loft.jsonl"
    path.write_bytes(line.encode() + b"\n" + line_of(MESSAGE))
    faults = RowFaults()
    assert [number for number, _ in arrivals_in(path, faults)] == [2]
    assert faults.count == 1


def test_a_file_that_is_no_capture_is_not_written_into(tmp_path: Path) -> None:
    """Nothing of it is lost."""
    path = tmp_path / "notes.txt"
    path.write_text("my notes\n")
    with pytest.raises(RecordingError, match="no capture"):
        CaptureFile(path)
    assert path.read_text() == "my notes\n"


def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    """With a hint."""
    with pytest.raises(RecordingError):
        CaptureFile(tmp_path / "none" / "loft.jsonl")


def test_readings_are_those_of_the_decoder(tmp_path: Path) -> None:
    """A pack, a mapped number, and a message that would be quarantined."""
    path = captured(
        tmp_path,
        MESSAGE,
        Arrival("shed/probe/celsius", b"17.5", SIX_MS + 1),
        Arrival("shed/probe/else", b"17.5", SIX_MS + 2),
        Arrival("shed/probe/celsius", b"", SIX_MS + 3),
    )
    faults = RowFaults()
    mapping = NumberMapping("shed/+/celsius", "{2}", Quantity.TEMPERATURE, "degC")
    readings = list(readings_in(path, Decoding(numbers=(mapping,)), faults))
    assert [(each.sensor, each.quantity.value, each.received_ms - SIX_MS) for each in readings] == [
        ("float-a", "gravity", 0),
        ("float-a", "temperature", 0),
        ("probe", "temperature", 1),
    ]
    assert [line for line, _ in faults.described] == [3]


def test_an_angle_becomes_a_gravity_by_its_calibration(tmp_path: Path) -> None:
    """From the date on from which it holds, as in the daemon."""
    pairs = [Pair(25.0, 1.0), Pair(40.0, 1.03), Pair(55.0, 1.06), Pair(70.0, 1.09)]
    calibration = fit_calibration("float-b", pairs, SIX_MS + 1, (1,))
    angle = b'[{"n":"float-b:angle","u":"deg","v":40}]'
    topic = "carboyd/readings/float-b"
    path = captured(tmp_path, Arrival(topic, angle, SIX_MS), Arrival(topic, angle, SIX_MS + 2))
    readings = list(readings_in(path, Decoding(calibrations={"float-b": [calibration]}), RowFaults()))
    assert [each.quantity.value for each in readings] == ["angle", "angle", "gravity"]
    assert readings[2].value == pytest.approx(1.03, abs=1e-6)


def test_nobody_passes_for_the_makers_hand(tmp_path: Path) -> None:
    """As in the daemon, a sensor called after hand samples is refused."""
    pack = b'[{"n":"hand.loft:gravity","u":"/","v":1.04}]'
    faults = RowFaults()
    assert not list(readings_in(captured(tmp_path, Arrival("t", pack, SIX_MS)), Decoding(), faults))
    assert faults.count == 1


def test_a_capture_replays_like_a_recording(tmp_path: Path) -> None:
    """The pitch is the first reading, or what the sheet beside it says."""
    path = captured(tmp_path, MESSAGE)
    plain = opened(path, Decoding())
    assert plain.premise.pitched_ms == SIX_MS
    assert plain.name == "loft"
    path.with_suffix(".toml").write_text('name = "Loft"\npitched_at = 2026-02-28T06:00:00Z\n')
    sheeted = opened(path, Decoding())
    assert (sheeted.title, sheeted.premise.pitched_ms) == ("Loft", SIX_MS - 86_400_000)
    list(play(sheeted, Pipeline(sheeted.premise)))


def test_a_capture_without_a_reading_is_refused(tmp_path: Path) -> None:
    """With the first reason why."""
    path = captured(tmp_path, Arrival("a/b", b"17.5", SIX_MS))
    with pytest.raises(RecordingError, match="line 1"):
        opened(path, Decoding())
    (tmp_path / "empty.jsonl").touch()
    with pytest.raises(RecordingError, match="empty"):
        opened(tmp_path / "empty.jsonl", Decoding())
