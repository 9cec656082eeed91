"""`carboyd import`, as a person at a terminal and a script use it."""

from __future__ import annotations

import base64
import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import openpyxl
import pytest
from click.testing import Result

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, RecordingError, StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.replay.recording import read
from monitor.store.sql import SqlStore
from monitor.units import MS_PER_HOUR, Quantity, ms_from_rfc3339, rfc3339_from_ms

Run = Callable[..., Result]
SIX_MS = ms_from_rfc3339("2026-03-01T06:00:00Z")


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """Newest on top, semicolons, decimal commas, a day of its own, two faults and a comment."""
    path = tmp_path / "loft.csv"
    rows = [
        f"01.03.2026;{hour:02d}:00;{1.043 - hour / 1000:.3f};{18 + hour / 10:.1f};".replace(".", ",")
        for hour in range(24)
    ]
    rows = [row.replace("01,03,2026", "01.03.2026") for row in reversed(rows)]
    rows[3] = "01.03.2026;20:00;what;19,9;a comment"
    rows[5] = "soon;18:00;1,025;19,9;"
    path.write_text("\n".join(["Datum;Uhrzeit;Dichte SG;Temperatur °C;Notiz", *rows]))
    return path


def test_a_table_becomes_a_recording(carboyd_command: Run, table: Path, tmp_path: Path) -> None:
    """Columns are shown, values counted, faults named by row and reason, and the recording is in order."""
    done = carboyd_command(
        "import", str(table), "--out", str(tmp_path / "out"), "--zone", "UTC", "--name", "Loft"
    )
    assert done.exit_code == 0, done.output
    for words in (
        "gravity in sg", "temperature in degC", "not used", "no time that can be read (row 7)",
        "Dichte SG: not a number (row 5)", "45 readings written to",
    ):  # fmt: skip
        assert words in done.output
    recording = read(tmp_path / "out")
    times = [each.time_ms for each in recording.readings()]
    assert times == sorted(times)
    assert len(times) == 45
    assert recording.title == "Loft"
    assert recording.premise.pitched_ms == times[0] == ms_from_rfc3339("2026-03-01T00:00:00Z")
    assert recording.premise.gravity_sensor == "loft"


def test_check_writes_nothing_and_json_is_for_programs(
    carboyd_command: Run, table: Path, tmp_path: Path
) -> None:
    """Standard output is one JSON document."""
    before = sorted(tmp_path.iterdir())
    done = carboyd_command("import", str(table), "--check", "--zone", "UTC", "--json")
    (document,) = json.loads(done.stdout)
    assert document["readings"] == 45
    assert {each["why"]: each["first_rows"] for each in document["left_out"]} == {
        "not a number": [5],
        "no time that can be read": [7],
    }
    assert sorted(tmp_path.iterdir()) == before


def test_all_that_was_left_out_can_be_had_in_a_file(
    carboyd_command: Run, table: Path, tmp_path: Path
) -> None:
    """One line each, with the text at fault."""
    carboyd_command(
        "import", str(table), "--check", "--zone", "UTC", "--left-out", str(tmp_path / "left.csv")
    )
    lines = (tmp_path / "left.csv").read_text().splitlines()
    assert lines[0] == "row,what,why"
    assert lines[1].startswith("5,Dichte SG,not a number")
    assert "'what'" in lines[1]
    assert len(lines) == 3


def test_the_maker_mends_a_guess(carboyd_command: Run, tmp_path: Path) -> None:
    """Asked column by column; what cannot be is asked again, a unit that nothing fits among it."""
    path = tmp_path / "odd.csv"
    path.write_text("When,A,B\n2026-03-01 06:00,10.7,64.4\n2026-03-01 07:00,10.5,64.4\n")
    refused = carboyd_command("import", str(path), "--out", str(tmp_path / "no"))
    assert "no column is known" in str(refused.exception)
    first = [
        "n",
        "",
        "cloudiness",
        "gravity sg",
        "temperature degF probe-1",
        "Nowhere/At_All",
        "UTC",
        "float-a",
    ]
    second = ["y", "", "gravity plato", "", "", ""]
    done = carboyd_command(
        "import", str(path), "--out", str(tmp_path / "out"), "--zone", "Europe/Dublin", "--ask",
        stdin="\n".join([*first, *second, "y", ""]),
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    for words in (
        "no quantity is called 'cloudiness'",
        "no time zone 'Nowhere/At_All'",
        "cannot be gravity in sg",
    ):
        assert words in done.stderr
    assert [
        (each.sensor, each.quantity.value, round(each.value, 4)) for each in read(tmp_path / "out").readings()
    ] == [
        ("float-a", "gravity", 1.0429),
        ("probe-1", "temperature", 18.0),
        ("float-a", "gravity", 1.0421),
        ("probe-1", "temperature", 18.0),
    ]


def test_accepting_the_guess_takes_one_key(carboyd_command: Run, table: Path, tmp_path: Path) -> None:
    """Return is yes."""
    done = carboyd_command(
        "import", str(table), "--out", str(tmp_path / "out"), "--zone", "UTC", "--ask", stdin="\n"
    )
    assert done.exit_code == 0, done.output
    assert "Take it so?" in done.stderr


def test_readings_go_into_a_batch(carboyd_command: Run, table: Path, store: SqlStore) -> None:
    """Under the names of its sensors; the same again adds nothing."""
    store.batches.start(
        Sheet("loft", "Loft", SIX_MS, gravity_sensor="float-a", temperature_sensor="probe-1"), at_ms=SIX_MS
    )
    words = ("import", str(table), "--into", "loft", "--zone", "UTC")
    first = carboyd_command(*words)
    assert first.exit_code == 0, first.output
    assert "45 readings put into loft" in first.output
    assert "0 readings put into loft; 45 were there already" in carboyd_command(*words).output
    kept = store.batches.readings("loft")
    assert set(kept.sources) == {("float-a", Quantity.GRAVITY), ("float-a", Quantity.TEMPERATURE)}


def test_a_batch_of_the_store_becomes_a_recording(
    carboyd_command: Run, store: SqlStore, tmp_path: Path
) -> None:
    """With its sheet."""
    store.batches.start(Sheet("loft", "Loft", SIX_MS, gravity_sensor="float-a"), at_ms=SIX_MS)
    store.readings.commit(
        [Reading("float-a", Quantity.GRAVITY, SIX_MS + n, 1.04, SIX_MS + n) for n in range(5)]
    )
    done = carboyd_command("import", "--batch", "loft", "--out", str(tmp_path / "out"))
    assert done.exit_code == 0, done.output
    recording = read(tmp_path / "out")
    assert (recording.title, recording.premise.gravity_sensor) == ("Loft", "float-a")
    assert len(list(recording.readings())) == 5


def test_a_capture_becomes_a_recording(carboyd_command: Run, tmp_path: Path) -> None:
    """Through the daemon's decoder; a message it would quarantine is named by line."""
    pack = b'[{"n":"float-a:gravity","u":"/","v":1.04}]'
    path = tmp_path / "loft.jsonl"
    lines = [
        {
            "at": "2026-03-01T06:00:00Z",
            "topic": "carboyd/readings/x",
            "payload": base64.b64encode(pack).decode(),
        },
        {
            "at": "2026-03-01T06:01:00Z",
            "topic": "carboyd/readings/x",
            "payload": base64.b64encode(b"7").decode(),
        },
    ]
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    done = carboyd_command("import", str(path), "--out", str(tmp_path / "out"))
    assert done.exit_code == 0, done.output
    assert "row 2" in done.output
    assert len(list(read(tmp_path / "out").readings())) == 1


def test_several_files_are_a_recording_each_or_one_together(carboyd_command: Run, tmp_path: Path) -> None:
    """A float's table and a thermometer's workbook; a file at fault does not stop the rest."""
    (tmp_path / "float.csv").write_text("time,sg\n2026-03-01 06:00,1.043\n2026-03-01 08:00,1.042\n")
    book = openpyxl.Workbook()
    for row in (("time", "temp"), ("2026-03-01 07:00", 18.0), ("2026-03-01 08:00", 18.0)):
        book.active.append(row)
    book.save(tmp_path / "probe.xlsx")
    (tmp_path / "empty.csv").touch()
    files = [str(tmp_path / name) for name in ("float.csv", "empty.csv", "probe.xlsx")]
    done = carboyd_command("import", *files, "--out", str(tmp_path / "each"), "--zone", "UTC")
    assert done.exit_code == 2
    assert "empty.csv is empty" in done.stderr
    assert sorted(path.name for path in (tmp_path / "each").iterdir()) == ["float", "probe"]
    done = carboyd_command(
        "import", files[0], files[2], "--together", "--out", str(tmp_path / "one"), "--zone", "UTC"
    )
    assert done.exit_code == 0, done.output
    assert [each.sensor for each in read(tmp_path / "one").readings()] == ["float", "probe", "float", "probe"]


@pytest.mark.parametrize(
    ("content", "word"),
    [
        ("", "is empty"),
        ("time,sg\n", "a heading and no row"),
        ("time,sg\n2026-03-01 06:00,1043\n", ""),
        ("sg,temp\n1.04,18\n", "no column reads as a time"),
        ("time,sg\n2026-03-01 06:00,unavailable\n", "no column is known"),
    ],
)
def test_a_faulty_file_gets_a_clear_word(
    carboyd_command: Run, tmp_path: Path, content: str, word: str
) -> None:
    """Empty, heading only, without times, without values; one row is enough to be taken."""
    (tmp_path / "x.csv").write_text(content)
    done = carboyd_command("import", str(tmp_path / "x.csv"), "--out", str(tmp_path / "out"))
    if word:
        assert isinstance(done.exception, InputError)
        assert word in str(done.exception)
        assert done.exception.hint
    else:
        assert done.exit_code == 0, done.output


def test_hours_since_the_pitch_need_the_pitch(carboyd_command: Run, tmp_path: Path) -> None:
    """As laboratories write their tables."""
    (tmp_path / "x.csv").write_text("time_h,gravity_sg\n0,1.0466\n8,1.041\n16.5,1.0167\n")
    words = ("import", str(tmp_path / "x.csv"), "--out", str(tmp_path / "out"))
    refused = carboyd_command(*words)
    assert "--pitched" in refused.exception.hint
    done = carboyd_command(*words, "--pitched", "2026-03-01T06:00:00Z")
    assert done.exit_code == 0, done.output
    assert [each.time_ms - SIX_MS for each in read(tmp_path / "out").readings()] == [
        0,
        28_800_000,
        59_400_000,
    ]


def test_what_is_missing_on_the_command_line_is_said(carboyd_command: Run, tmp_path: Path) -> None:
    """Nothing to import, nowhere to put it, half of a question."""
    for words in (("--check",), (str(tmp_path / "x.csv"),), ("--check", "--influx", "http://127.0.0.1:9")):
        done = carboyd_command("import", *words)
        assert isinstance(done.exception, InputError)
    absent = carboyd_command("import", str(tmp_path / "x.csv"), "--check")
    assert isinstance(absent.exception, RecordingError)


@contextmanager
def answering(*answers: bytes) -> Iterator[str]:
    """A server that gives one answer after the other, and the last one from then on; its address."""
    left = list(answers)

    class Answering(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["Content-Length"]))
            self.wfile.write(left.pop(0) if len(left) > 1 else left[0])

        def log_message(self, *_words: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answering)
    threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True).start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()


def test_an_answer_that_breaks_off_puts_nothing_in(
    carboyd_command: Run, store: SqlStore, tmp_path: Path
) -> None:
    """It fails and says so; asked again everything is taken, and a third time nothing twice."""
    carboyd_command("batch", "start", "Loft", "--gravity-sensor", "float-a", "--pitched", "2026-03-01T06:00Z")
    rows = [[ms_from_rfc3339("2026-03-01T06:00:00Z") + n * MS_PER_HOUR, 1.043 - n * 1e-4] for n in range(40)]
    columns = {"name": "reading", "columns": ["time", "gravity_sg"], "tags": {"sensor": "float-a"}}
    lines = [
        json.dumps({"results": [{"series": [{**columns, "values": part}]}]}).encode() + b"\n"
        for part in (rows[:30], rows[30:])
    ]
    head = b"HTTP/1.0 200 OK\r\nContent-Length: %d\r\n\r\n" % len(b"".join(lines))
    whole, short = head + b"".join(lines), head + lines[0]
    # the columns and the guesses about them are read from answers that do not break off
    for goes_well in (0, 1, 2):
        with answering(*[whole] * goes_well, short) as url:
            words = ("--into", "loft", "--influx", url, "--query", "SELECT * FROM reading", "--no-ask")
            done = carboyd_command("import", *words)
        assert isinstance(done.exception, StoreUnavailableError)
        assert "broke off after 30 rows, the last of 2026-03-02T11:00:00Z" in str(done.exception)
        assert len(store.readings.read(["float-a"])) == 0
    with answering(whole) as url:
        words = ("--into", "loft", "--influx", url, "--query", "SELECT * FROM reading", "--no-ask")
        assert "40 readings put into loft" in carboyd_command("import", *words).output
        assert "40 were there already" in carboyd_command("import", *words).output
    assert len(store.readings.read(["float-a"])) == 40


def a_log(tmp_path: Path, every_hours: int) -> Path:
    """A log of 13 days with what was done beside it."""
    begun_ms = ms_from_rfc3339("2026-09-01T19:30:00Z")
    rows = []
    for step in range(13 * 24 // every_hours):
        hours = step * every_hours
        at = rfc3339_from_ms(begun_ms + hours * MS_PER_HOUR)
        rows.append(f"{at},{max(1.052 - 0.00025 * hours, 0.998):.3f},70,{'fed' if step == 2 else ''}")
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["Time,SG,Temp (F),Notes", *rows]))
    return path


def test_a_log_kept_by_hand_becomes_hand_samples(
    carboyd_command: Run, tmp_path: Path, store: SqlStore
) -> None:
    """Two readings a day are no float's: said, taken as samples; the notes are said to be left out."""
    path = a_log(tmp_path, 12)
    begun_ms = ms_from_rfc3339("2026-09-01T19:30:00Z")
    sheet = Sheet(slug="past", name="Past", pitched_ms=begun_ms)
    store.batches.start(sheet, at_ms=begun_ms)
    done = carboyd_command("import", str(path), "--into", "past", "--only", "hand")
    assert done.exit_code == 0, done.output
    assert "too few for a verdict" in done.output
    assert "words go into the journal" in done.output
    samples = store.readings.read([sheet.hand_sensor], quantities=[Quantity.SAMPLE_GRAVITY])
    assert len(samples) == 26
    assert store.batches.notes("past", entries=0, samples=0)


def test_what_the_maker_calls_a_float_stays_one_and_its_silence_is_said(
    carboyd_command: Run, tmp_path: Path
) -> None:
    """Said to be gravity it is taken so, with a warning; every hour is a float's and has none."""
    sparse = a_log(tmp_path, 12)
    done = carboyd_command("import", str(sparse), "--check", "--column", "SG=gravity sg")
    assert "too seldom for a verdict" in done.output
    assert "gravity in sg" in done.output
    often = carboyd_command("import", str(a_log(tmp_path, 1)), "--check")
    assert "verdict" not in often.output
    assert "gravity in sg" in often.output
