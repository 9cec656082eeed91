"""The worker of the daemon, turn by turn in this thread: no timer runs, and no broker is there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.daemon import Daemon
from monitor.settings import Loaded, Settings


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    """One that was not started, over a store of its own."""
    settings = Settings.model_validate(
        {
            "mqtt": {"broker": "external"},
            "store": {"url": f"sqlite:///{tmp_path}/carboyd.sqlite"},
            "web": {"enabled": False},
        }
    )
    made = Daemon(Loaded(settings, None, tmp_path))
    yield made
    made.stop()


def _raising(error: Exception) -> Callable[..., Any]:
    def raises(*_arguments: Any, **_named: Any) -> Any:
        raise error

    return raises


@pytest.mark.parametrize("error", [ZeroDivisionError("division by zero"), MemoryError()])
def test_whatever_ends_the_worker_is_said(
    daemon: Daemon, error: Exception, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Also what nobody thought of: whoever runs the daemon sees the failure and can end it."""
    monkeypatch.setattr(daemon.watch, "tick_next", _raising(error))
    daemon._run()
    assert daemon.failure is error
    assert any(one.exc_info for one in caplog.records if "cannot go on" in one.message)
