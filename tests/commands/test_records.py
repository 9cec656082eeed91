"""`carboyd export`: a batch as a recording."""

from __future__ import annotations

from monitor.errors import RecordingError
from monitor.replay import recording
from monitor.units import ms_from_rfc3339

PITCHED = "2026-01-03T18:00:00Z"


def test_the_truth_of_a_recording_outlives_another_export(carboyd_command, tmp_path):
    """What somebody typed or confirmed is not lost when the batch is exported again."""
    carboyd_command("batch", "start", "Porch", "--pitched", PITCHED)
    folder = tmp_path / "porch"
    assert carboyd_command("export", "porch", str(folder)).exit_code == 0
    batch = folder / recording.BATCH_FILE
    batch.write_text(batch.read_text() + "\n[truth]\nfinished_at = 2026-01-12T06:00:00Z\n")
    assert carboyd_command("export", "porch", str(folder)).exit_code == 0
    assert recording.read(folder).truth.finished_ms == ms_from_rfc3339("2026-01-12T06:00:00Z")


def test_another_recording_is_not_written_over(carboyd_command, tmp_path):
    """A folder that holds another batch stays as it is."""
    carboyd_command("batch", "start", "Porch", "--pitched", PITCHED)
    carboyd_command("batch", "start", "Kitchen", "--pitched", "2026-01-04T18:00:00Z")
    folder = tmp_path / "porch"
    carboyd_command("export", "porch", str(folder))
    before = (folder / recording.BATCH_FILE).read_bytes()
    done = carboyd_command("export", "kitchen", str(folder))
    assert isinstance(done.exception, RecordingError)
    assert "'Porch'" in str(done.exception)
    assert (folder / recording.BATCH_FILE).read_bytes() == before
