"""What a starting daemon says of itself, and what a hangup leaves of it."""

from __future__ import annotations

import gc
import os
import signal
import weakref
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor.commands.run import greeting, supervise
from monitor.daemon import Daemon
from monitor.sensors.broker import free_port
from monitor.settings import load

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


@pytest.fixture
def own_signals() -> Iterator[None]:
    """Who handles signals afterwards is who did before."""
    before = {number: signal.getsignal(number) for number in SIGNALS}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)
    gc.unfreeze()
    gc.collect()


def test_the_example_shows_a_login_where_the_broker_asks_for_one(tmp_path, monkeypatch):
    """A sensor needs one too there; on a broker without logins nothing of the kind is said."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    daemon = SimpleNamespace(broker=None, web=None, store=SimpleNamespace(location="here"))
    said = []
    for login in ("", 'username = "carboyd"\npassword = "secret"\n'):
        config = tmp_path / f"carboyd{len(login)}.toml"
        config.write_text(f'[mqtt]\nbroker = "external"\n{login}')
        said.append("\n".join(greeting(load(config), daemon)))
    assert " -u " not in said[0]
    assert " -u float-a -P PASSWORD -q 1" in said[1]
    assert "secret" not in said[1]


# paho leaves the pair of sockets that wakes its thread to the search for garbage
@pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning")
@pytest.mark.usefixtures("own_signals")
def test_a_hangup_leaves_nothing_of_the_old_daemon(tmp_path: Path) -> None:
    """Though all of it was taken out of the search for garbage, as after the opening of many batches."""
    born: list[weakref.ref[Daemon]] = []
    left: list[list[Daemon]] = []

    class Signalled(Daemon):
        """Hung up on once it has started; its successor is stopped."""

        def start(self) -> None:
            super().start()
            # or its network thread may still be about to connect, and keep it
            assert self.subscriber.wait_connected(30.0)
            born.append(weakref.ref(self))
            gc.freeze()
            os.kill(os.getpid(), signal.SIGHUP if len(born) == 1 else signal.SIGTERM)

        def stop(self) -> None:
            left.append([one for one in (ref() for ref in born) if one is not None and one is not self])
            super().stop()

    config = tmp_path / "carboyd.toml"
    config.write_text(
        f"[mqtt]\nport = {free_port()}\n[web]\nenabled = false\n"
        f'[store]\nurl = "sqlite:///{tmp_path}/carboyd.sqlite"\n'
    )
    assert supervise(load(config), Signalled) == 0
    assert len(born) == 2
    assert left == [[], []]
