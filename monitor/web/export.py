"""A batch out of the store as a recording, packed."""

from __future__ import annotations

import tempfile
import zipfile
from io import BytesIO
from pathlib import Path

from monitor.batch.sheet import Sheet
from monitor.ferment.score import Truth
from monitor.replay.recording import rows_of, write
from monitor.store.base import Store


def recording_zip(store: Store, sheet: Sheet) -> bytes:
    """The recording of a batch as a zip archive with one folder in it; can be replayed as it is."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / sheet.slug
        write(
            folder,
            title=sheet.name,
            premise=sheet.premise(),
            journal=store.batches.journal(sheet.slug),
            truth=Truth(),
            lines=rows_of(store.batches.readings(sheet.slug).readings()),
        )
        packed = BytesIO()
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
            for path in sorted(folder.iterdir()):
                archive.write(path, f"{sheet.slug}/{path.name}")
    return packed.getvalue()
