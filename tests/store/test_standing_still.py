"""On a server nobody who stands still stops the others: in a transaction, in a lock, on a dead network."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest
from sqlalchemy import Connection, event, make_url, text

from monitor.errors import StoreUnavailableError
from monitor.ferment.event import Reading
from monitor.store.gate import Gate, StoreOptions
from monitor.store.sql import SqlStore
from monitor.units import Quantity

OpenGate = Callable[..., Gate]


@pytest.fixture
def gate(postgresql: str) -> Iterator[OpenGate]:
    """Opens gates on one server, each with limits and a URL's query of its own."""
    with ExitStack() as opened:

        def open_one(query: dict[str, str] | None = None, **limits: int) -> Gate:
            url = make_url(postgresql).update_query_dict(query or {})
            made = Gate(StoreOptions(url.render_as_string(hide_password=False), **limits))  # type: ignore[arg-type]
            opened.callback(made.close)
            return made

        yield open_one


def shown(connection: Connection, name: str) -> str:
    """A setting of the session."""
    return str(connection.execute(text(f"SHOW {name}")).scalar_one())


def work(connection: Connection) -> None:
    """Any statement."""
    connection.execute(text("SELECT 1"))


def stand_still(hung: Gate, other: Gate, wakes: bool) -> None:
    """Begin to write and do nothing more until another has written."""
    with hung.writing() as still:
        with other.writing() as connection:
            work(connection)
        if wakes:
            work(still)


def stand_still_on_a_row(hung: Gate, other: Gate) -> None:
    """Change a row and do nothing more until another has changed it."""
    with hung.claiming() as still:
        still.execute(text("UPDATE tally SET n = 1"))
        with other.claiming() as connection:
            connection.execute(text("UPDATE tally SET n = 2"))
        work(still)


class TestTransaction:
    """A writer that does nothing more, as a process does that is stopped or whose machine hangs."""

    @pytest.mark.parametrize("wakes", [True, False])
    def test_is_ended_and_another_writes(self, gate: OpenGate, wakes: bool) -> None:
        """The next writer gets its turn; the one that stood still, when it wakes, may try again and can.

        It may wake to another statement or to the commit.
        """
        hung, other = gate(idle_limit_ms=200), gate()
        with pytest.raises(StoreUnavailableError):
            stand_still(hung, other, wakes)
        with hung.writing() as again:
            work(again)

    def test_of_one_row_too(self, gate: OpenGate) -> None:
        """A transaction that does not queue with the other writers is ended in the same way."""
        hung, other = gate(idle_limit_ms=200), gate()
        with other.writing() as connection:
            connection.execute(text("CREATE TABLE IF NOT EXISTS tally (n INTEGER)"))
            connection.execute(text("INSERT INTO tally VALUES (0)"))
        with pytest.raises(StoreUnavailableError):
            stand_still_on_a_row(hung, other)
        with other.writing() as connection:
            connection.execute(text("DROP TABLE tally"))

    def test_of_a_patient_writer_may_take_longer(self, gate: OpenGate) -> None:
        """A migration waits as long as a dump may take and may think for two minutes, and it alone."""
        one = gate()
        for patient, lock, idle in ((True, "1h", "2min"), (False, "20s", "15s")):
            with one.writing(patient=patient) as connection:
                assert shown(connection, "lock_timeout") == lock
                assert shown(connection, "idle_in_transaction_session_timeout") == idle

    def test_is_none_for_a_reader(self, gate: OpenGate) -> None:
        """A reader that works over what it fetched is in no transaction that could be ended."""
        with gate().reading() as reader, gate().reading() as other:
            pid = reader.execute(text("SELECT pg_backend_pid()")).scalar_one()
            state = text("SELECT state FROM pg_stat_activity WHERE pid = :pid")
            assert other.execute(state, {"pid": pid}).scalar_one() == "idle"

    def test_is_not_idle_while_very_many_rows_are_prepared(self, server_url: str) -> None:
        """Rows go to the server in portions, and none is lost between two of them."""
        sent: list[str] = []
        with SqlStore(StoreOptions(server_url, rows_at_once=3)) as store:

            @event.listens_for(store._gate.engine, "before_cursor_execute")
            def note(_1: object, _2: object, words: str, _3: object, _4: object, _5: object) -> None:
                sent.append(words)

            arrived = [Reading("float-a", Quantity.GRAVITY, n, 1.04, n) for n in range(7)]
            assert store.readings.commit(arrived).stored == 7
            assert store.readings.commit(arrived).stored == 0
            assert len(store.readings.read(["float-a"])) == 7
        assert sum("INSERT INTO readings" in words for words in sent) == 6


class TestLock:
    """A lock that somebody holds who is busy all the time."""

    def test_is_not_waited_for_without_end(self, gate: OpenGate) -> None:
        """After the limit the store counts as unavailable; once the lock is free the same call works."""
        busy, waiting = gate(), gate(lock_limit_ms=100)
        with (
            busy.writing(),
            pytest.raises(StoreUnavailableError, match="lock timeout"),
            waiting.writing(),
        ):
            pass
        with waiting.writing() as connection:
            work(connection)

    def test_is_waited_for_longer_than_a_transaction_may_stand_still(self) -> None:
        """So a writer that waits behind one that hangs is served, not turned away."""
        options = StoreOptions("postgresql://somewhere/db")
        assert options.lock_limit_ms > options.idle_limit_ms


class TestLink:
    """The connection itself."""

    def test_is_watched(self, gate: OpenGate) -> None:
        """A server or a network that is gone is noticed within half a minute."""
        with gate().reading() as connection:
            driver = connection.connection.driver_connection
            assert driver is not None
            used = driver.info.get_parameters()
        assert {name: used.get(name) for name in ("keepalives_idle", "keepalives_count")} == {
            "keepalives_idle": "10",
            "keepalives_count": "3",
        }
        assert (used["keepalives_interval"], used["tcp_user_timeout"]) == ("5", "20000")

    def test_leaves_the_last_word_to_the_url(self, gate: OpenGate, monkeypatch: pytest.MonkeyPatch) -> None:
        """What a person wrote there, or into the environment where the URL has no options, holds."""
        theirs = {"options": "-c lock_timeout=1234 -c search_path=cellar", "keepalives_idle": "99"}
        with gate(theirs).reading() as connection:
            assert shown(connection, "lock_timeout") == "1234ms"
            assert shown(connection, "search_path") == "cellar"
            assert shown(connection, "idle_in_transaction_session_timeout") == "15s"
            driver = connection.connection.driver_connection
            assert driver is not None
            assert driver.info.get_parameters()["keepalives_idle"] == "99"
        monkeypatch.setenv("PGOPTIONS", "-c search_path=shed")
        with gate().reading() as connection:
            assert shown(connection, "search_path") == "shed"
