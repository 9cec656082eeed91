"""What can be done, by page and API alike."""

from __future__ import annotations

import pytest

from monitor.errors import InputError, NotFoundError
from monitor.ferment.event import JournalKind, Reading
from monitor.sensors.calibration import Pair
from monitor.units import MS_PER_DAY, Quantity
from monitor.web.actions import Actions, digest

from .rooms import Cellar, a_sheet

SLUG = "hedgerow-session"


@pytest.fixture
def actions(busy: Cellar) -> Actions:
    return Actions(busy.ports())


def test_a_sample_is_corrected_to_20_degrees(actions: Actions) -> None:
    """A hydrometer made for 60 °F that reads 1.050 at 100 °F stands for 1.0566 at 60 °F.

    From memory: the correction of 6.6 points at 100 °F in the usual table for 60 °F hydrometers (common
    practice); half a point is allowed for the sugar of the must and the change of reference.
    """
    written = actions.sample(
        SLUG, reading_sg=1.050, sample_c=37.78, calibrated_at_c=15.56, taken_ms=actions.ports.now_ms()
    )
    assert written.value == pytest.approx(1.0566, abs=0.0007)
    assert written.quantity is Quantity.SAMPLE_GRAVITY
    assert actions.ports.store.readings.read(["hand.hedgerow-session"]).value[-1] == written.value


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"reading_sg": 1.4}, "0.97"),
        ({"reading_sg": 0.5}, "0.97"),
        ({"sample_c": 80.0}, "0 to 50"),
        ({"taken_ms": 2**45}, "future"),
    ],
)
def test_impossible_samples_are_refused(actions: Actions, values: dict[str, float], said: str) -> None:
    """The complaint says what is possible, and nothing is written."""
    given = {"reading_sg": 1.02, "sample_c": 20.0, "taken_ms": actions.ports.now_ms()}
    with pytest.raises(InputError, match=said):
        actions.sample(SLUG, **{**given, **values})  # type: ignore[arg-type]
    assert len(actions.ports.store.readings.read(["hand.hedgerow-session"])) == 0


def test_a_sample_moves_the_level(actions: Actions, busy: Cellar) -> None:
    """A hand sample 4 points above the float lifts the level that is shown."""
    before = busy.snapshots()[SLUG].evidence.level_points
    actions.sample(SLUG, reading_sg=1.0 + (before + 4.0) / 1000, sample_c=20.0, taken_ms=busy.now_ms)
    assert busy.snapshots()[SLUG].evidence.level_points - before > 2.0


def test_the_same_sample_twice_is_refused(actions: Actions) -> None:
    """Two samples of one moment are a slip, and said to be one."""
    now_ms = actions.ports.now_ms()
    actions.sample(SLUG, reading_sg=1.02, sample_c=20.0, taken_ms=now_ms)
    with pytest.raises(InputError, match="already"):
        actions.sample(SLUG, reading_sg=1.02, sample_c=20.0, taken_ms=now_ms)


def test_every_deed_wakes_the_daemon(actions: Actions, busy: Cellar) -> None:
    """After each deed the daemon is told which batch it touched."""
    actions.deed(SLUG, JournalKind.RACKED, done_ms=busy.now_ms)
    actions.start(a_sheet("new-one"))
    actions.end("new-one")
    actions.lift(actions.silence(hours=1).id)
    assert busy.changes == [SLUG, "new-one", "new-one", "", ""]


@pytest.mark.parametrize("hours", [0.0, -1.0, 24 * 30 + 0.1, float("nan")])
def test_silences_end_by_themselves(actions: Actions, hours: float) -> None:
    """A silence without an end, or none at all, is refused."""
    with pytest.raises(InputError):
        actions.silence(hours=hours)


def test_a_sensor_is_put_into_a_batch(actions: Actions) -> None:
    """Each role lands in its own field; an unknown one is refused."""
    assert actions.tie("plum-batch", "probe", "temperature").temperature_sensor == "probe"
    assert actions.tie("plum-batch", "room", "other").other_sensors == ("room",)
    assert actions.tie("plum-batch", "room", "other").other_sensors == ("room",)
    with pytest.raises(InputError, match="role"):
        actions.tie("plum-batch", "probe", "both-ends")
    with pytest.raises(InputError):
        actions.tie("plum-batch", "float-hedgerow-session", "gravity")  # it stands in another batch


def test_a_link_is_kept_by_digest_alone(actions: Actions) -> None:
    """Who reads the store cannot open the link; once taken back it leads nowhere."""
    share, token = actions.share(SLUG)
    assert actions.ports.store.shares.find(digest(token)).batch == SLUG
    with pytest.raises(NotFoundError):
        actions.ports.store.shares.find(token)
    actions.revoke(share.id)
    with pytest.raises(NotFoundError):
        actions.ports.store.shares.find(digest(token))


def test_an_end_lies_after_the_beginning(actions: Actions) -> None:
    """A batch cannot end before it was pitched."""
    with pytest.raises(InputError):
        actions.end(SLUG, ended_ms=actions.ports.now_ms() - 30 * MS_PER_DAY)


def test_a_calibration_turns_the_angles_it_holds_for(actions: Actions, busy: Cellar) -> None:
    """One that holds from the past turns the angles told since; 45 degrees is 1.040."""
    told_ms = busy.now_ms - MS_PER_DAY
    busy.store.readings.commit([Reading("stray", Quantity.ANGLE, told_ms, 45.0, told_ms)])
    pairs = [Pair(25.0, 1.000), Pair(35.0, 1.020), Pair(55.0, 1.060)]
    actions.calibrate(actions.fitted("stray", pairs, told_ms - 1))
    found = busy.store.readings.read(["stray"], quantities=[Quantity.GRAVITY])
    assert found.value.tolist() == pytest.approx([1.040], abs=1e-9)


def test_a_mistake_is_taken_back_at_once(actions: Actions, busy: Cellar) -> None:
    """The batch stands where it stood before, and the daemon is told."""
    before = busy.snapshots()[SLUG]
    actions.sample(SLUG, reading_sg=1.1, sample_c=20.0, taken_ms=busy.now_ms)
    assert busy.snapshots()[SLUG] != before
    (line,) = busy.store.notebook.listed(SLUG)
    busy.changes.clear()
    assert actions.take_back(SLUG, line.name).struck_ms == busy.now_ms
    assert busy.changes == [SLUG]
    assert busy.snapshots()[SLUG] == before
    with pytest.raises(NotFoundError, match="already"):
        actions.take_back(SLUG, line.name)
    assert busy.changes == [SLUG]
