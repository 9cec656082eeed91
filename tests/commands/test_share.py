"""Links to look at one batch, by command."""

from __future__ import annotations

import pytest

from monitor.batch.sheet import Sheet
from monitor.errors import InputError, NotFoundError
from monitor.web.actions import digest


@pytest.fixture
def porch(store):
    """A batch."""
    store.batches.start(Sheet(slug="porch", name="Porch", pitched_ms=0), at_ms=0)


def test_a_link_is_printed_once_and_taken_back(carboyd_command, config, store, porch):
    """Its token is in the address and in no row; revoked, it opens nothing."""
    config.write_text(config.read_text() + '[web]\npublic_url = "https://cellar.example/"\n')
    address = carboyd_command("share", "porch").output.splitlines()[0]
    base, token = address.rsplit("/", 1)
    assert base == "https://cellar.example/shared"
    assert store.shares.find(digest(token)).batch == "porch"
    assert token not in carboyd_command("share", "porch", "--list").output
    assert carboyd_command("share", "--revoke", "1").exit_code == 0
    assert "taken back" in carboyd_command("share", "porch", "--list").output
    with pytest.raises(NotFoundError):
        store.shares.find(digest(token))


def test_what_cannot_be_shared_is_said(carboyd_command, porch):
    """No batch, an unknown one, an unknown link."""
    assert isinstance(carboyd_command("share").exception, InputError)
    assert isinstance(carboyd_command("share", "owl").exception, NotFoundError)
    assert isinstance(carboyd_command("share", "--revoke", "9").exception, NotFoundError)
