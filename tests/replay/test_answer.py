"""The answer of a database becomes readings like any table."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from zoneinfo import ZoneInfo

import pytest

from monitor.errors import RecordingError
from monitor.replay.answer import answer_of
from monitor.replay.foreign import readings_of
from monitor.replay.gathering import LeftOut
from monitor.replay.said import Said, columns_of
from monitor.store.influx_read import InfluxPlace

SIX_MS = 1_772_344_800_000
Serve = Callable[[list[dict[str, object]]], InfluxPlace]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Starts a server that always answers with these series."""
    made: list[ThreadingHTTPServer] = []

    def started(series: list[dict[str, object]]) -> InfluxPlace:
        body = json.dumps({"results": [{"series": series}]}).encode() + b"\n"

        class Answering(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                self.rfile.read(int(self.headers["Content-Length"]))
                self.send_response(200)
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, *_words: object) -> None:
                pass

        made.append(ThreadingHTTPServer(("127.0.0.1", 0), Answering))
        threading.Thread(target=made[-1].serve_forever, args=(0.01,), daemon=True).start()
        return InfluxPlace(f"http://127.0.0.1:{made[-1].server_address[1]}", "loft")

    yield started
    for server in made:
        server.shutdown()
        server.server_close()


def taken(place: InfluxPlace) -> tuple[list[tuple[str, str, float, int]], LeftOut]:
    table, left_out = answer_of(place, "SELECT"), LeftOut()
    readings = readings_of(table, columns_of(table, Said()), ZoneInfo("UTC"), "loft", left_out)
    return [(each.sensor, each.quantity.value, each.value, each.time_ms) for each in readings], left_out


def test_fields_with_units_in_their_names_and_a_tag_for_the_sensor(serve: Serve) -> None:
    """The shape in which carboyd forwards its own readings: one field a point, the others empty."""
    columns = ["time", "gravity_sg", "temperature_c", "battery_percent", "sensor"]
    place = serve([
        {"name": "reading", "columns": columns, "values": [
            [SIX_MS, 1.043, None, None, "float-a"],
            [SIX_MS, None, 18.5, None, "probe-1"],
            [SIX_MS + 1, None, None, 87, "float-a"],
        ]}
    ])  # fmt: skip
    readings, left_out = taken(place)
    assert readings == [
        ("float-a", "gravity", 1.043, SIX_MS),
        ("probe-1", "temperature", 18.5, SIX_MS),
        ("float-a", "battery", 87.0, SIX_MS + 1),
    ]
    assert left_out.count == 0


def test_a_series_for_each_sensor_and_quantity(serve: Serve) -> None:
    """Grouped by tag, with the quantity as the measurement's name and one column called value."""
    tags = {"sensor": "float-a"}
    columns = ["time", "value"]
    place = serve([
        {"name": "gravity", "tags": tags, "columns": columns, "values": [[SIX_MS, 10.0]]},
        {"name": "temperature", "tags": tags, "columns": columns, "values": [[SIX_MS, 65]]},
    ])  # fmt: skip
    readings, _ = taken(place)
    assert [(sensor, quantity) for sensor, quantity, _, _ in readings] == [
        ("float-a", "gravity"),
        ("float-a", "temperature"),
    ]
    assert readings[1][2] == pytest.approx(18.33, abs=0.01)  # 65 degF


def test_no_row_is_refused(serve: Serve) -> None:
    """It is most likely a wrong name."""
    with pytest.raises(RecordingError, match="no row"):
        answer_of(serve([]), "SELECT")
