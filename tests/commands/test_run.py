"""What a starting daemon says of itself."""

from __future__ import annotations

from types import SimpleNamespace

from monitor.commands.run import greeting
from monitor.settings import load


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
