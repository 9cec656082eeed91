"""Commands run in this process on a store of their own."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from monitor.cli import carboyd
from monitor.store.gate import StoreOptions
from monitor.store.sql import SqlStore


@pytest.fixture(autouse=True)
def _no_settings_of_this_machine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("CARBOYD_CONFIG", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A configuration with a store in a temporary folder."""
    path = tmp_path / "carboyd.toml"
    path.write_text(f'[store]\nurl = "sqlite:///{tmp_path}/carboyd.sqlite"\n')
    return path


@pytest.fixture
def store(tmp_path: Path) -> SqlStore:
    """The same store, opened beside the commands."""
    with SqlStore(StoreOptions(f"sqlite:///{tmp_path}/carboyd.sqlite")) as opened:
        yield opened


@pytest.fixture
def carboyd_command(config: Path) -> Callable[..., Result]:
    """Run `carboyd WORDS --config ...`; an error comes back as the result's exception."""

    def run(*words: str, stdin: str | None = None) -> Result:
        command: click.Command = carboyd
        return CliRunner().invoke(command, [*words, "--config", str(config)], input=stdin)

    return run
