"""How commands understand captured messages: by the configured mappings and the kept calibrations."""

from __future__ import annotations

from pathlib import Path

from monitor.commands.context import store_options
from monitor.replay.capture import Decoding
from monitor.sensors.calibration import Calibration
from monitor.sensors.taking import Calibrations, by_sensor
from monitor.settings import load
from monitor.store.sql import SqlStore


def decoding_of(config: Path | None) -> Decoding:
    """The decoding that the configuration says; calibrations where its store is there already."""
    loaded = load(config)
    settings = loaded.settings
    calibrations: Calibrations = {}
    if settings.store.url is not None or (loaded.data_dir / "carboyd.sqlite").is_file():
        with SqlStore(store_options(loaded)) as store:
            calibrations = by_sensor(
                Calibration.from_dict(stored.document) for stored in store.calibrations.listed()
            )
    return Decoding(
        tuple(section.mapping for section in settings.objects),
        tuple(section.mapping for section in settings.numbers),
        calibrations,
    )
