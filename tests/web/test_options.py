"""What may be set, and what would let others in."""

from __future__ import annotations

import pytest

from monitor.errors import ConfigurationError
from monitor.web.options import WebSettings, is_loopback
from monitor.web.signin import hash_password


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.9.1", "::1", "[::1]", "localhost"])
def test_loopback_needs_no_sign_in(host: str) -> None:
    """Addresses of this machine alone (RFC 1122, RFC 4291) are served without a password."""
    assert is_loopback(host)
    WebSettings(host=host).check()


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "cellar.example", ""])  # noqa: S104
def test_others_are_kept_out(host: str) -> None:
    """Any other address wants a password or a token; so does one that cannot be judged."""
    assert not is_loopback(host)
    with pytest.raises(ConfigurationError, match=r"web\.host"):
        WebSettings(host=host).check()
    WebSettings(host=host, password_hash=hash_password("four plain old words")).check()
    WebSettings(host=host, tokens=("t" * 24,)).check()


def test_a_password_in_place_of_its_hash_is_refused_without_being_shown() -> None:
    """Nobody could sign in with it; and it is a secret."""
    for pasted in ("four plain old words", "", "$argon2id$v=19$m=65536"):
        with pytest.raises(ConfigurationError, match=r"web\.password_hash.*carboyd password") as caught:
            WebSettings(password_hash=pasted).check()
        assert not pasted or pasted not in str(caught.value)


def test_short_tokens_are_refused_without_being_shown() -> None:
    """A token that can be guessed is a fault, and the complaint does not print it."""
    with pytest.raises(ConfigurationError) as caught:
        WebSettings(tokens=("swordfish",)).check()
    assert "swordfish" not in str(caught.value)
