"""What a real InfluxDB holds comes back as a recording."""

from __future__ import annotations

import random
import urllib.parse
import urllib.request
from pathlib import Path

import pytest
from click.testing import CliRunner

from monitor.commands.imports import import_command
from monitor.errors import InputError
from monitor.replay.recording import read
from monitor.store.influx_read import CHUNK_ROWS, InfluxPlace, blocks
from monitor.units import MS_PER_MINUTE

from .conftest import BUCKET

START_MS = 1_764_000_000_000
POINTS = CHUNK_ROWS + 500
"""More than one chunk of an answer."""


def test_points_come_back_in_every_digit(influx, tmp_path: Path) -> None:
    """Written by line protocol out of order, asked for in InfluxQL, chunk by chunk, into a recording."""
    written = {START_MS + place * MS_PER_MINUTE: round(1.08 - place * 7e-6, 6) for place in range(POINTS)}
    lines = [f"reading,sensor=float-a gravity_sg={value!r} {at_ms}" for at_ms, value in written.items()]
    lines += [f"reading,sensor=probe-1 temperature_c=18.5 {START_MS + n}" for n in range(3)]
    random.Random(4).shuffle(lines)
    form = urllib.parse.urlencode({"db": BUCKET, "precision": "ms"})
    request = urllib.request.Request(f"{influx.url}/write?{form}", data="\n".join(lines).encode())  # noqa: S310
    with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310  a loopback address
        assert answer.status == 204
    query = 'SELECT * FROM "reading"'
    done = CliRunner().invoke(
        import_command,
        ["--influx", influx.url, "--database", BUCKET, "--query", query, "--out", str(tmp_path / "out")],
    )
    assert done.exit_code == 0, (done.output, done.exception)
    readings = list(read(tmp_path / "out").readings())
    assert {each.time_ms: each.value for each in readings if each.sensor == "float-a"} == written
    assert sum(each.sensor == "probe-1" for each in readings) == 3


def test_a_query_that_is_none_is_refused_in_the_server_s_words(influx) -> None:
    """Also a database that is not there."""
    with pytest.raises(InputError, match="parsing"):
        list(blocks(InfluxPlace(influx.url, BUCKET), "SELEKT"))
    with pytest.raises(InputError, match="not found"):
        list(blocks(InfluxPlace(influx.url, "nowhere"), 'SELECT * FROM "reading"'))
