"""The floors of the house hold: imports point down only, each foreign library is met in one room."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "monitor"
FILES = sorted(PACKAGE.rglob("*.py"))

FLOORS = [
    {"units", "errors"},
    {"must"},
    {"ferment"},
    {"cellar"},
    {"batch"},
    {"quantities"},
    {"sensors"},
    {"store"},
    {"planning", "calibrating", "expecting", "last_words", "provenance", "untold"},
    {"notify"},
    {"hub"},
    {"replay"},
    {"tune"},
    {"web"},
    {"settings", "settings_faults", "settings_influx", "settings_sections"},
    {
        *("daemon", "vitals", "watch", "chronicle", "supervision", "intake", "notices", "clock", "demo"),
        *("announcing", "checkpoint", "chores", "onlooker", "shift", "thinning", "watched", "work"),
        *("folding", "following", "sharing", "shown", "telling", "worker"),
    },
    {"commands"},
    {"cli"},
    {"__main__"},
]
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}

PURE = {"units", "errors", "must", "ferment", "cellar", "batch"}
PURE_MAY_IMPORT = {"numpy", "scipy"}
IMPURE_STANDARD = {
    "os",
    "io",
    "socket",
    "time",
    "logging",
    "sqlite3",
    "threading",
    "subprocess",
    "pathlib",
    "random",
}

ONE_ROOM = {
    "paho": {"sensors"},
    "amqtt": {"sensors"},
    "cbor2": {"sensors"},
    "jsonpointer": {"sensors"},
    "sqlalchemy": {"store"},
    "influxdb_client": {"store"},
    "apprise": {"notify"},
    "pydantic_settings": {"settings"},
    "apscheduler": {"chores"},
    "pint": {"quantities"},
    "python_calamine": {"replay"},
    "starlette": {"web"},
    "uvicorn": {"web"},
    "jinja2": {"web"},
    "distributed": {"tune"},
    "argon2": {"web"},
    "bokeh": {"web"},
    "itsdangerous": {"web"},
    "prometheus_client": {"web"},
    "tzlocal": {"web", "commands"},
}


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            if node.module == "monitor":
                yield from (f"monitor.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_down(path: Path) -> None:
    """A room imports its own floor's room and lower floors, never a higher one."""
    room = _room(path)
    if room == "__init__":
        return
    assert room in LEVEL, f"{room} stands on no floor"
    for name in _imports(path):
        parts = name.split(".")
        if parts[0] == "monitor" and len(parts) > 1 and not parts[1].startswith("_"):
            assert parts[1] == room or LEVEL[parts[1]] <= LEVEL[room], f"{room} imports {name}"


@pytest.mark.parametrize(
    "path", [p for p in FILES if _room(p) in PURE], ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_the_ground_floor_is_pure(path: Path) -> None:
    """Below the line there is no clock, no I/O and no library but numpy and scipy."""
    import sys

    for name in _imports(path):
        top = name.split(".")[0]
        assert top not in IMPURE_STANDARD, f"{path}: {name}"
        assert top == "monitor" or top in PURE_MAY_IMPORT or top in sys.stdlib_module_names, f"{path}: {name}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_foreign_library_is_met_in_one_room(path: Path) -> None:
    """Each library of the shell is imported in its own room only."""
    for name in _imports(path):
        rooms = ONE_ROOM.get(name.split(".")[0])
        assert rooms is None or _room(path) in rooms, f"{path}: {name}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_files_can_be_read_in_a_sitting(path: Path) -> None:
    """No file is longer than 450 lines, and no name explains nothing."""
    assert len(path.read_text().splitlines()) <= 450
    assert path.stem not in {"utils", "util", "helpers", "common", "misc", "manager", "core"}


def test_no_branch_asks_whether_it_is_a_replay() -> None:
    """One pipeline: the word for a second path does not occur below the line."""
    for path in FILES:
        if _room(path) in PURE:
            assert "replaying" not in path.read_text()
