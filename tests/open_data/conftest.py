"""Real measured ferments, read from a folder beside the repository; nothing of them is copied into it."""

from __future__ import annotations

import csv
import os
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FOLDER = Path(os.environ.get("OPEN_FERMENTS_DIR", ROOT / ".." / "shared" / "open_data"))


@dataclass(frozen=True)
class Measured:
    """One real ferment: hours, gravities (20/20 degC) and, where known, temperatures."""

    name: str
    hours: tuple[float, ...]
    gravity_sg: tuple[float, ...]
    temperature_c: tuple[float, ...] | None


def measured_ferments() -> list[Measured]:
    """Every series found; none where the folder is not there."""
    found = []
    for path in sorted(FOLDER.glob("*/ferment-*.csv")):
        with path.open(newline="") as rows:
            table = list(csv.DictReader(rows))
        temperature = None
        if "temperature_c" in table[0]:
            temperature = tuple(float(row["temperature_c"]) for row in table)
        found.append(
            Measured(
                f"{path.parent.name}/{path.stem}",
                tuple(float(row["time_h"]) for row in table),
                tuple(float(row["gravity_sg"]) for row in table),
                temperature,
            )
        )
    return found


@pytest.fixture(scope="session")
def ferments() -> list[Measured]:
    """All series found."""
    return measured_ferments()


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """One test a ferment, or one that is skipped and says why."""
    if "ferment" not in metafunc.fixturenames:
        return
    ferments = measured_ferments()
    if not ferments:
        reason = "no open data here: set OPEN_FERMENTS_DIR to the folder that holds it"
        metafunc.parametrize(
            "ferment", [pytest.param(None, marks=pytest.mark.skip(reason=reason))], ids=["none"]
        )
        return
    metafunc.parametrize("ferment", ferments, ids=[each.name for each in ferments])
