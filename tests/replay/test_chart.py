"""A recording as a picture."""

from __future__ import annotations

import io
from contextlib import nullcontext
from pathlib import Path
from xml.etree import ElementTree

import pytest
from PIL import Image

from monitor.errors import RecordingError
from monitor.ferment.emission import AlertChange, AlertState
from monitor.ferment.pipeline import Pipeline
from monitor.ferment.premise import Premise
from monitor.ferment.score import Truth
from monitor.replay.chart import Told, kind_of, picture
from monitor.replay.player import play
from monitor.replay.plot_text import FINISH, LEVEL, READING, STALL, plot
from monitor.replay.recording import Recording, read
from monitor.replay.track import track_of

STALLED = Path(__file__).parents[2] / "replay_data" / "cold-stall-58"


def texts(svg: bytes) -> str:
    root = ElementTree.fromstring(svg)  # noqa: S314  our own file
    return "\n".join("".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text"))


@pytest.fixture(scope="module")
def stalled() -> tuple[Recording, Told]:
    """A recording that stalled and finished, and what is said of it."""
    recording = read(STALLED)
    return recording, Told("", tuple(play(recording, Pipeline(recording.premise))))


def test_every_phase_and_alert_is_on_it(stalled: tuple[Recording, Told]) -> None:
    """In words; nothing is told by colour alone."""
    recording, told = stalled
    found = texts(picture(recording, track_of(recording), [told], truth=recording.truth, kind="svg"))
    for word in ("lag", "active", "slowing", "stalled", "finished", recording.title, "finish, as labelled"):
        assert word in found
    alerts = [
        each for each in told.emissions if isinstance(each, AlertChange) and each.state is AlertState.FIRING
    ]
    assert len(alerts) >= 3
    for number, alert in enumerate(alerts, start=1):
        assert f"{number} day" in found
        assert f"{alert.kind.value.replace('_', ' ')}: {alert.message[:40]}" in found


def test_two_configurations_are_named(stalled: tuple[Recording, Told]) -> None:
    """Each has its band and its list."""
    recording, told = stalled
    both = [Told("now", told.emissions), Told("bold.toml", ())]
    found = texts(picture(recording, track_of(recording), both, kind="svg"))
    assert "now:" in found
    assert "bold.toml:" in found
    assert "no alert" in found


def test_the_same_recording_gives_the_same_bytes(stalled: tuple[Recording, Told]) -> None:
    """PNG that another library opens, and SVG."""
    recording, told = stalled
    track = track_of(recording)
    png = picture(recording, track, [told])
    with Image.open(io.BytesIO(png)) as image:
        assert image.format == "PNG"
        assert image.width > 1_000
    assert png == picture(recording, track, [told])
    assert picture(recording, track, kind="svg") == picture(recording, track, kind="svg")


def test_an_empty_recording_is_drawn_too() -> None:
    """And says that it is empty."""
    empty = Recording(
        "r",
        "R",
        Premise(0),
        (),
        Truth(),
        lambda: nullcontext(io.StringIO("time,sensor,quantity,value,unit\n")),
    )
    assert "no gravity was recorded" in texts(picture(empty, track_of(empty), kind="svg"))
    assert plot(track_of(empty), None, Truth()) == ["no gravity was recorded"]


def test_the_kind_is_the_file_s_ending() -> None:
    """Anything else is refused."""
    assert (kind_of(Path("a.PNG")), kind_of(Path("a.svg"))) == ("png", "svg")
    with pytest.raises(RecordingError, match=r"a\.gif"):
        kind_of(Path("a.gif"))


def test_the_plot_in_characters_shows_what_is_labelled(stalled: tuple[Recording, Told]) -> None:
    """Readings, level, stall and finish have signs of their own; no line is wider than a terminal."""
    recording, _ = stalled
    track = track_of(recording)
    lines = plot(track, (track.gravity.time_ms, track.gravity.median), recording.truth)
    drawn = "\n".join(lines)
    assert all(sign in drawn for sign in (LEVEL, FINISH, STALL))
    assert READING in "\n".join(plot(track, None, Truth()))
    assert max(len(line) for line in lines) <= 80
