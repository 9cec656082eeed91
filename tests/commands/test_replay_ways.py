"""Ways to replay: side by side, drawn, at a speed, step by step, from a capture, and what is faulty."""

from __future__ import annotations

import base64
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from monitor.commands.replay import replay_command, score_command
from monitor.errors import ConfigurationError, InputError, RecordingError
from monitor.replay.recording import read
from monitor.units import MS_PER_DAY, Quantity, rfc3339_from_ms

DATA = Path(__file__).parents[2] / "replay_data"
DAYS = 4


def run(*words: str | Path, stdin: str | None = None) -> Result:
    return CliRunner().invoke(replay_command, [str(word) for word in words], input=stdin)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first days of a recording, truth and all: enough for three phases and an alert."""
    folder = tmp_path_factory.mktemp("cut") / "begun"
    shutil.copytree(DATA / "session-43", folder)
    recording = read(folder)
    heading, *rows = (folder / "readings.csv").read_text().splitlines(keepends=True)
    until = rfc3339_from_ms(recording.premise.pitched_ms + DAYS * MS_PER_DAY)
    (folder / "readings.csv").write_text("".join([heading, *(row for row in rows if row[:20] < until)]))
    return folder


@pytest.fixture(scope="module")
def timeline(begun: Path) -> list[str]:
    """Its plain replay."""
    return run(begun).stdout.splitlines()


@pytest.fixture(scope="module")
def stream(begun: Path) -> list[str]:
    """Its replay for programs."""
    return run(begun, "--json").stdout.splitlines()


@pytest.fixture
def deaf(tmp_path: Path) -> Path:
    """A configuration under which nothing ever begins."""
    path = tmp_path / "deaf.toml"
    path.write_text("[thresholds]\nbegun_points = 200.0\n")
    return path


def test_two_configurations_side_by_side(begun: Path, deaf: Path) -> None:
    """One sees it begin, the other never does."""
    done = run(begun, "--against", deaf)
    assert done.exit_code == 0, done.output
    heading, rows = done.stdout.splitlines()[1], done.stdout.splitlines()[2:]
    assert heading.split() == ["defaults", "deaf.toml"]
    active = next(row for row in rows if " active" in row)
    assert active.index("active") == heading.index("defaults")
    assert active.rstrip().endswith(".")


def test_lines_of_two_configurations_carry_its_name(begun: Path, deaf: Path, stream: list[str]) -> None:
    """And without the name those of the first are exactly those of its own replay."""
    both = [json.loads(line) for line in run(begun, "--against", deaf, "--json").stdout.splitlines()]
    own = [
        {key: line[key] for key in line if key != "settings"}
        for line in both
        if line["settings"] == "defaults"
    ]
    assert own == [json.loads(line) for line in stream]
    assert {line["settings"] for line in both} == {"defaults", "deaf.toml"}
    times = [line["time"] for line in both]
    assert times == sorted(times)


def test_a_faulty_second_configuration_is_refused(begun: Path, tmp_path: Path) -> None:
    """By its key."""
    (tmp_path / "x.toml").write_text("[thresholds]\nno_such = 1.0\n")
    assert isinstance(run(begun, "--against", tmp_path / "x.toml").exception, ConfigurationError)


def test_a_picture_of_each(begun: Path, tmp_path: Path) -> None:
    """One keeps the name it was given; of several each has its own, even with a faulty truth."""
    assert run(begun, "--picture", tmp_path / "one.svg").exit_code == 0
    assert "slowing" in (tmp_path / "one.svg").read_text()
    for name in ("odd", "even"):
        shutil.copytree(begun, tmp_path / name)
        (tmp_path / name / "readings.csv").write_text("time,sensor,quantity,value,unit\n")
    sheet = (begun / "batch.toml").read_text().replace("[truth]", '[truth]\nrefermenting_lost = "no"')
    (tmp_path / "odd" / "batch.toml").write_text(sheet)
    done = run(tmp_path / "odd", tmp_path / "even", "--picture", tmp_path / "p.png", "--workers", "1")
    assert done.exit_code == 0, done.output
    for name in ("odd", "even"):
        assert (tmp_path / f"p-{name}.png").read_bytes().startswith(b"\x89PNG")
    assert isinstance(run(begun, "--picture", tmp_path / "p.gif").exception, RecordingError)


def test_step_by_step(begun: Path, timeline: list[str]) -> None:
    """Return, hours, a slip, the rest: the timeline is the same as without steps."""
    stepped = run(begun, "--step", stdin="\n36\nwhat\n\nr\n").stdout
    assert "The recording ends." in stepped
    told = [line.split("> ")[-1].strip() for line in stepped.splitlines()]
    assert [line.strip() for line in timeline if line.strip() and line.strip() not in told] == []
    assert "points a day" in stepped
    left = run(begun, "--step", stdin="q\n").stdout
    assert "Left." in left
    assert "TOLD" not in left


def test_at_a_speed_the_timeline_is_the_same(begun: Path, timeline: list[str]) -> None:
    """Days in a blink."""
    assert run(begun, "--speed", "1e12").stdout.split() == "\n".join(timeline).split()
    assert run(begun, "--speed", "0").exit_code == 2
    assert isinstance(run(begun, "--speed", "5", "--json").exception, InputError)


def test_a_capture_is_told_like_the_recording_it_was(begun: Path, stream: list[str], tmp_path: Path) -> None:
    """Each reading as a message of its own, with the sheet beside it: the same lines but for the name."""
    path = tmp_path / "wire.jsonl"
    names = {Quantity.GRAVITY: ("gravity", "/"), Quantity.TEMPERATURE: ("temperature", "Cel"),
             Quantity.BATTERY: ("battery", "%EL"), Quantity.AMBIENT_TEMPERATURE: ("ambient", "Cel"),
             Quantity.SAMPLE_GRAVITY: ("sample_gravity", "/")}  # fmt: skip
    with path.open("w") as out:
        for each in read(begun).readings():
            word, unit = names[each.quantity]
            pack = [{"n": f"{each.sensor}:{word}", "u": unit, "v": each.value, "t": each.time_ms / 1_000}]
            payload = base64.b64encode(json.dumps(pack).encode()).decode()
            line = {
                "at": rfc3339_from_ms(each.received_ms),
                "topic": "carboyd/readings/x",
                "payload": payload,
            }
            out.write(json.dumps(line) + "\n")
    shutil.copy(begun / "batch.toml", path.with_suffix(".toml"))
    done = run(path, "--json")
    assert done.exit_code == 0, (done.exception, done.stderr)
    assert done.stdout.splitlines() == [line.replace('"begun"', '"wire"') for line in stream]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (lambda rows: [], "heading"),
        (lambda rows: rows[:1], "holds no reading"),
        (lambda rows: rows[:2], "too few"),
        (lambda rows: [row.replace(",gravity,", ",gravity,,") for row in rows[:90]], "line "),
        (
            lambda rows: [row.replace(",gravity,1.0", ",gravity,1000") for row in rows[:90]],
            "is the unit wrong?",
        ),
        (lambda rows: [rows[0], *rows[90:0:-1]], "newest on top"),
    ],
    ids=["nothing", "no row", "one row", "torn rows", "wrong units", "unsorted"],
)
def test_a_faulty_recording_gets_a_word_and_stops_nobody(
    begun: Path, tmp_path: Path, change, word: str
) -> None:
    """The sound one beside it is replayed as ever; no truth is no fault, and is said when it is scored."""
    for name in ("faulty", "sound"):
        shutil.copytree(begun, tmp_path / name)
        rows = (begun / "readings.csv").read_text().splitlines(keepends=True)[:150]
        (tmp_path / name / "readings.csv").write_text("".join(change(rows) if name == "faulty" else rows))
        sheet = (begun / "batch.toml").read_text()
        (tmp_path / name / "batch.toml").write_text(sheet[: sheet.index("[truth]")])
    done = run(tmp_path / "faulty", tmp_path / "sound", "--json", "--workers", "1")
    assert "faulty: " in done.stderr
    assert word in done.stderr
    assert '"recording":"sound"' in done.stdout
    scored = CliRunner().invoke(
        score_command, [str(tmp_path / "faulty"), str(tmp_path / "sound"), "--workers", "1"]
    )
    assert "finished: right" in scored.stdout
    assert "say nothing of what was true" in scored.stderr
