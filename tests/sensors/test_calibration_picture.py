"""Pictures of a calibration."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

from monitor.sensors.calibration import Pair, fit_calibration
from monitor.sensors.calibration_picture import calibration_picture, calibration_text

FOUND = fit_calibration("float-a", [Pair(25, 1.0), Pair(35, 1.02), Pair(47, 1.045), Pair(60, 1.071)], 0)


def test_the_png_is_one():
    """The bytes begin as the PNG standard demands (ISO/IEC 15948, 5.2) and have the size asked for."""
    picture = calibration_picture(FOUND)
    assert picture[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(picture[16:20], "big") == 840


def test_the_svg_is_well_formed_and_repeatable():
    """The SVG parses, names the sensor, and is the same each time."""
    picture = calibration_picture(FOUND, "svg")
    assert ElementTree.fromstring(picture).tag.endswith("svg")  # noqa: S314  our own file
    assert picture == calibration_picture(FOUND, "svg")


def test_the_text_plot_shows_every_pair_in_its_place():
    """As many marks as pairs, the lowest gravity bottom left, the highest top right."""
    lines = calibration_text(FOUND, width=40, height=10).splitlines()
    assert sum(line.count("o") for line in lines) == 4
    assert lines[0].endswith("o")
    assert lines[0].startswith(" 1.0711")
    assert "|o" in lines[9]
    assert lines[-1].split() == ["25.0", "60.0", "deg"]
