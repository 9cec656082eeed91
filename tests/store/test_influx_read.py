"""An InfluxQL query is asked over HTTP and read as it comes; what goes wrong is said in words."""

from __future__ import annotations

import json
import socket
import threading
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from monitor.errors import InputError, StoreError, StoreUnavailableError
from monitor.store.influx_read import Block, InfluxPlace, blocks

QUERY = 'SELECT * FROM "reading"'


@dataclass
class Asked:
    """A server that answers what it is told to, and remembers what it was asked."""

    answers: list[tuple[int, bytes]] = field(default_factory=list)
    forms: list[dict[str, list[str]]] = field(default_factory=list)
    authorizations: list[str] = field(default_factory=list)
    port: int = 0

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self.port}"

    def says(self, *documents: object) -> None:
        """Answer with these, one a line, as the chunked form has it."""
        self.answers.append((200, b"".join(json.dumps(each).encode() + b"\n" for each in documents)))


@pytest.fixture
def server() -> Iterator[Asked]:
    """A running one."""
    asked = Asked()

    class Answering(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"])).decode()
            asked.forms.append(urllib.parse.parse_qs(body))
            asked.authorizations.append(self.headers.get("Authorization", ""))
            status, answer = asked.answers.pop(0)
            self.send_response(status)
            self.send_header("Content-Length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_words: object) -> None:
            pass

    http = ThreadingHTTPServer(("127.0.0.1", 0), Answering)
    asked.port = http.server_address[1]
    threading.Thread(target=http.serve_forever, args=(0.01,), daemon=True).start()
    yield asked
    http.shutdown()
    http.server_close()


def series(*rows: list[object], **more: object) -> dict[str, object]:
    return {
        "results": [
            {"series": [{"name": "reading", "columns": ["time", "gravity_sg"], "values": rows, **more}]}
        ]
    }


def test_every_chunk_is_a_block(server: Asked) -> None:
    """Name, tags, columns and rows; times as milliseconds were asked for."""
    server.says(series([1000, 1.043], tags={"sensor": "float-a"}), series([2000, None]))
    found = list(blocks(InfluxPlace(server.url, "loft"), QUERY))
    assert found == [
        Block("reading", (("sensor", "float-a"),), ("time", "gravity_sg"), [[1000, 1.043]]),
        Block("reading", (), ("time", "gravity_sg"), [[2000, None]]),
    ]
    (form,) = server.forms
    assert (form["q"], form["db"], form["epoch"], form["chunked"]) == ([QUERY], ["loft"], ["ms"], ["true"])


def test_a_token_and_a_password_go_where_they_belong(server: Asked) -> None:
    """A token into the header, user and password into the body; neither into an address or a repr."""
    for _ in range(3):
        server.says(series([1000, 1.0]))
    list(blocks(InfluxPlace(server.url, "", "s3cret"), QUERY))
    list(blocks(InfluxPlace(server.url, "", "me:s3cret"), QUERY))
    list(blocks(InfluxPlace(server.url), QUERY))
    assert server.authorizations == ["Token s3cret", "", ""]
    assert [("u" in form, "p" in form) for form in server.forms] == [
        (False, False),
        (True, True),
        (False, False),
    ]
    assert "s3cret" not in repr(InfluxPlace(server.url, "", "s3cret"))


def test_no_rows_are_no_blocks(server: Asked) -> None:
    """An answer without series."""
    server.says({"results": [{"statement_id": 0}]})
    assert list(blocks(InfluxPlace(server.url), QUERY)) == []


def chunked(lines: list[bytes], *, whole: bool) -> bytes:
    """An answer in chunks, one a line (RFC 9112, 7.1); only a whole one has the last, empty chunk."""
    chunks = b"".join(b"%x\r\n%s\r\n" % (len(line), line) for line in lines)
    return (
        b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n" + chunks + (b"0\r\n\r\n" if whole else b"")
    )


def sized(lines: list[bytes], length: int) -> bytes:
    """An answer that says how long it is."""
    return b"HTTP/1.1 200 OK\r\nContent-Length: %d\r\n\r\n" % length + b"".join(lines)


def read_of(answer: bytes) -> list[Block]:
    """What is read from a server that sends these bytes, and then hangs up."""

    def serve(ear: socket.socket) -> None:
        caller, _ = ear.accept()
        with caller:
            caller.recv(65_536)
            caller.sendall(answer)
            caller.shutdown(socket.SHUT_WR)
            while caller.recv(65_536):
                pass

    with socket.create_server(("127.0.0.1", 0)) as ear:
        serving = threading.Thread(target=serve, args=(ear,))
        serving.start()
        try:
            return list(blocks(InfluxPlace(f"http://127.0.0.1:{ear.getsockname()[1]}"), QUERY))
        finally:
            serving.join()


SENT = [json.dumps(series([1_772_344_800_000 + n, 1.043])).encode() + b"\n" for n in range(2)]
GOES_ON = json.dumps({"results": [{**series([1_772_344_800_001, 1.0])["results"][0], "partial": True}]})  # type: ignore[index]


@pytest.mark.parametrize(
    "answer",
    [
        chunked(SENT, whole=True),
        sized(SENT, len(b"".join(SENT))),
        b"HTTP/1.0 200 OK\r\n\r\n" + b"".join(SENT),
        b"HTTP/1.0 200 OK\r\n\r\n" + GOES_ON.encode() + b"\n" + SENT[1],
    ],
)
def test_a_whole_answer_is_read(answer: bytes) -> None:
    """In chunks, with its length, or up to where the server hangs up."""
    assert [len(block.rows) for block in read_of(answer)] == [1, 1]


@pytest.mark.parametrize(
    "answer",
    [
        chunked(SENT, whole=False),
        chunked(SENT, whole=True)[: -len(SENT[1]) // 2],
        sized(SENT, len(b"".join(SENT)) + 1),
        b"HTTP/1.0 200 OK\r\n\r\n" + b"".join(SENT) + SENT[0][:20],
        b"HTTP/1.0 200 OK\r\n\r\n" + SENT[0] + GOES_ON.encode() + b"\n",
    ],
    ids=["between chunks", "in a chunk", "short of its length", "in a row", "where more was announced"],
)
def test_an_answer_that_breaks_off_is_no_answer(answer: bytes) -> None:
    """It is said after how many rows, that none is taken, and what to do."""
    with pytest.raises(
        StoreUnavailableError, match=r"broke off after [12] rows?, the last of 2026-03-01"
    ) as told:
        read_of(answer)
    assert "nothing of it is taken" in str(told.value)
    assert "Import it again" in told.value.hint


@pytest.mark.parametrize(
    ("status", "body", "kind"),
    [
        (200, b'{"results":[{"error":"measurement not found"}]}\n', InputError),
        (200, b'{"error":"database not found: loft"}\n', InputError),
        (200, b'{"results":[{"series":[{"name":"x","columns":["name"],"values":[["a"]]}]}]}\n', InputError),
        (200, b"<html>hello</html>\n", StoreUnavailableError),
        (200, b"[]\n", StoreError),
        (400, b'{"error":"error parsing query: found FORM"}', InputError),
        (401, b'{"error":"authorization failed"}', StoreError),
        (403, b"no", StoreError),
        (404, b'{"message":"bucket not found"}', InputError),
        (503, b"busy", StoreUnavailableError),
    ],
)
def test_what_goes_wrong_is_said(server: Asked, status: int, body: bytes, kind: type[Exception]) -> None:
    """A query that is refused is the maker's to mend, a server that is away is not."""
    server.answers.append((status, body))
    with pytest.raises(kind):
        list(blocks(InfluxPlace(server.url), QUERY))


def test_nobody_there(server: Asked) -> None:
    """The address is named."""
    with pytest.raises(StoreUnavailableError, match=r"127\.0\.0\.1:9"):
        list(blocks(InfluxPlace("http://127.0.0.1:9"), QUERY))
    for url in ("ftp://127.0.0.1", "http://127.0.0.1/a b", "http://127.0.0.1/a\x00"):
        with pytest.raises(InputError, match="no address"):
            list(blocks(InfluxPlace(url), QUERY))


def test_an_answer_that_is_no_http() -> None:
    """Something else listens there: no traceback, the server cannot be had."""

    def answer(ear: socket.socket) -> None:
        caller, _ = ear.accept()
        with caller:
            caller.recv(65_536)
            caller.sendall(b"hello\r\n\r\n")

    with socket.create_server(("127.0.0.1", 0)) as ear:
        answering = threading.Thread(target=answer, args=(ear,))
        answering.start()
        with pytest.raises(StoreUnavailableError, match=r"no answer from http://127\.0\.0\.1"):
            list(blocks(InfluxPlace(f"http://127.0.0.1:{ear.getsockname()[1]}"), QUERY))
        answering.join()
