"""The bench page's server over a real socket: who gets in, what comes out, and what a page is told while a run goes on.

Requests are made with the standard library's client, or byte by byte where a well-behaved client would not send them.
"""

from __future__ import annotations

import json
import re
import socket
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from email.message import Message
from http.client import HTTPConnection, HTTPResponse
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the extra 'page' is not installed")
pytest.importorskip("uvicorn", reason="the extra 'page' is not installed")

from harness.operators import page_server
from harness.operators.page import Desk
from harness.operators.page_state import End, State, asked, ended, noted
from tests.page_views import DOUBT, ENDS, HOSTILE, connect, states

WAIT_S = 20.0


@dataclass(frozen=True)
class Got:
    """An answer."""

    status: int
    headers: Message
    body: bytes


class Client:
    """Somebody who asks the server."""

    def __init__(self, address: str) -> None:
        found = re.fullmatch(r"http://(127\.0\.0\.1):(\d+)/\?token=(\S{32})", address)
        assert found is not None
        self.port, self.token = int(found[2]), found[3]
        self.host = f"127.0.0.1:{self.port}"
        self.cookie = ""

    def begin(self, method: str, path: str, body: str | None = None, **headers: str) -> tuple[HTTPConnection, HTTPResponse]:
        """Ask once, with the cookie if there is one; the answer is still to be read, and the connection to be closed."""
        connection = HTTPConnection("127.0.0.1", self.port, timeout=WAIT_S)
        told = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookie:
            told.setdefault("Cookie", self.cookie)
        connection.request(method, path, body, told)
        return connection, connection.getresponse()

    def ask(self, method: str, path: str, body: str | None = None, **headers: str) -> Got:
        """Ask once and return the whole answer."""
        connection, response = self.begin(method, path, body, **headers)
        with closing(connection), closing(response):
            return Got(response.status, response.headers, response.read())

    def raw(self, data: bytes) -> bytes:
        """Send bytes as they are and return all that comes back until the server closes."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=WAIT_S) as link:
            link.sendall(data)
            return b"".join(iter(lambda: link.recv(4096), b""))

    def enter(self) -> None:
        """Use the token, keep the cookie, read the seal."""
        got = self.ask("GET", f"/?token={self.token}")
        assert (got.status, got.headers["Location"]) == (303, "/")
        self.cookie = got.headers["Set-Cookie"].partition(";")[0]
        found = re.search(r'<meta name="seal" content="([^"]+)"/>', self.ask("GET", "/").body.decode())
        assert found is not None
        self.seal = found[1]

    def post(self, path: str, said: Any, **changes: str) -> Got:
        """Send what our page would send."""
        own = {"Origin": f"http://{self.host}", "Content_Type": "application/json", "X_Seal": self.seal, **changes}
        return self.ask("POST", path, said if isinstance(said, str) else json.dumps(said), **own)

    def accepted(self, path: str, said: Any) -> bool:
        """Whether what our page sent was taken."""
        got = self.post(path, said)
        assert got.status == 200
        return bool(json.loads(got.body)["accepted"])


class Stream:
    """The events that one page hears, and the page as it then stands."""

    def __init__(self, client: Client, page: str = "a", fresh: int = 1) -> None:
        self.connection, self.response = client.begin("GET", f"/stream?page={page}&fresh={fresh}")
        assert self.response.status == 200
        assert self.response.headers["Content-Type"].startswith("text/event-stream")
        self.parts: dict[str, str] = {}

    def next(self) -> dict[str, Any]:
        """The next event; the parts of the page are kept."""
        told: dict[str, Any] = {}
        while line := self.response.readline().decode():
            if line == "\n":
                break
            if line.startswith("data: {"):
                told = json.loads(line.removeprefix("data: "))
        if told:
            self.parts |= told["parts"]
        return told

    def until(self, part: str, words: str) -> dict[str, Any]:
        """Read on until a part of the page holds these words."""
        while told := self.next():
            if words in self.parts[part]:
                return told
        raise AssertionError(f"the stream ended before {words!r} stood there")

    def close(self) -> None:
        self.response.close()
        self.connection.close()


@pytest.fixture
def desk() -> Desk:
    return Desk(states()["connect"])


@pytest.fixture
def stranger(desk: Desk) -> Iterator[Client]:
    with page_server.serve(desk, ENDS) as address:
        yield Client(address)
        desk.change(lambda state: ended(state, End("over")))


@pytest.fixture(scope="module")
def steady() -> Iterator[tuple[Desk, Client]]:
    """A server for the tests that change nothing there, and somebody who has the cookie."""
    desk = Desk(states()["connect"])
    with page_server.serve(desk, ENDS) as address:
        client = Client(address)
        client.enter()
        yield desk, client
        desk.change(lambda state: ended(state, End("over")))


@pytest.fixture
def client(stranger: Client) -> Client:
    stranger.enter()
    return stranger


# --- who gets in ------------------------------------------------------------------------------------------------------------


def test_it_listens_on_the_loopback_address_only(stranger: Client) -> None:
    # Every address of 127.0.0.0/8 is loopback (RFC 1122, 3.2.1.3): a listener on all addresses would answer on this one.
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.2", stranger.port), timeout=WAIT_S)


@pytest.mark.parametrize("path", ["/", "/?token=", "/?token=wrong", "/bench.js", "/bench.css", "/stream?page=a&fresh=1"])
def test_without_token_or_cookie_nothing_is_shown(stranger: Client, path: str) -> None:
    got = stranger.ask("GET", path)
    assert got.status == 403
    assert got.body == b"Open the address that the program printed.\n"
    assert got.headers["Set-Cookie"] is None


def test_the_token_opens_the_front_page_only(stranger: Client) -> None:
    assert stranger.ask("GET", f"/bench.js?token={stranger.token}").status == 403
    assert stranger.ask("GET", f"/?token={stranger.token}").status == 303


def test_the_token_works_once_and_then_the_cookie_does(stranger: Client) -> None:
    first = stranger.ask("GET", f"/?token={stranger.token}")
    cookie = first.headers["Set-Cookie"]
    assert {"HttpOnly", "Path=/", "SameSite=strict"} <= {part.strip() for part in cookie.split(";")}
    again = stranger.ask("GET", f"/?token={stranger.token}")
    assert again.status == 403
    assert b"works once" in again.body
    stranger.cookie = cookie.partition(";")[0]
    assert stranger.ask("GET", "/").status == 200
    assert stranger.ask("GET", f"/?token={stranger.token}").status == 303  # from the history: the token leaves the address bar


def test_every_answer_has_the_headers_that_keep_others_out(steady: tuple[Desk, Client]) -> None:
    for path in ("/", "/bench.js", "/nothing"):
        headers = steady[1].ask("GET", path).headers
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Cache-Control"] == "no-store"
        assert headers["Access-Control-Allow-Origin"] is None
        assert headers["Server"] is None


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "localhost"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Cookie": "tapproof=x"}, 403),
    ],
)
def test_strangers_are_refused_even_with_the_cookie_at_hand(
    steady: tuple[Desk, Client], headers: dict[str, str], status: int
) -> None:
    assert steady[1].ask("GET", "/", **headers).status == status


@pytest.mark.parametrize(
    "path", ["//", "/..", "/../bench.js", "/%2e%2e/%2e%2e/etc/passwd", "/bench.js%00", "/bench.js/", "/bench.html", "/%62ench.js"]
)
def test_path_tricks_find_nothing(steady: tuple[Desk, Client], path: str) -> None:
    assert steady[1].ask("GET", path).status == 404


@pytest.mark.parametrize(
    "request_",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET http://127.0.0.1/ HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        b"nonsense\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + 40 * b"\x00",
    ],
)
def test_what_no_browser_sends_is_refused_and_the_server_lives(stranger: Client, request_: bytes) -> None:
    status = stranger.raw(request_).split(b"\r\n")[0]
    assert re.fullmatch(rb"HTTP/1\.[01] (400|421)( .*)?", status)
    assert stranger.ask("GET", "/").status == 403


def test_the_page_is_the_state_and_hostile_text_stays_text(desk: Desk, client: Client) -> None:
    desk.change(lambda _: states(HOSTILE, HOSTILE)["doubt"])
    shown = client.ask("GET", "/").body.decode()
    assert "<script>alert" not in shown
    assert "&lt;script&gt;alert" in shown
    stream = Stream(client)
    told = stream.next()
    assert not any("<script" in part for part in stream.parts.values())
    assert "<script>" in told["title"]  # the page puts it there as text
    stream.close()


# --- a run on the page ------------------------------------------------------------------------------------------------------


def test_a_stream_begins_with_everything_and_goes_on_with_what_changes(desk: Desk, client: Client) -> None:
    stream = Stream(client)
    told = stream.next()
    assert set(told["parts"]) == {"where", "ask", "drawing", "curve", "notes"}
    assert (told["kind"], told["question"]) == ("connect", desk.state.asked)
    assert "hook-up 3 of 5 · about 4 minutes left" in stream.parts["where"]
    desk.change(lambda state: noted(state, "something new"))
    told = stream.next()
    assert set(told["parts"]) == {"notes"}
    assert "something new" in stream.parts["notes"]
    stream.close()


def test_an_idle_stream_says_that_it_lives() -> None:
    desk = Desk(states()["connect"])
    with page_server.serve(desk, ENDS, beat=0.01) as address:
        client = Client(address)
        client.enter()
        stream = Stream(client)
        stream.next()
        assert [stream.response.readline() for _ in range(3)] == [b"event: beat\n", b"data: -\n", b"\n"]
        desk.change(lambda state: ended(state, End("over")))
        stream.until("ask", "over")
        stream.close()


def test_a_page_answers_and_a_second_one_only_watches_until_it_takes_over(desk: Desk, client: Client) -> None:
    first, second = Stream(client, "a"), Stream(client, "b")
    one, two = first.next(), second.next()
    assert 'data-answer="done"' in first.parts["ask"]
    assert "data-answer" not in second.parts["ask"]
    assert "This page only watches" in second.parts["ask"]
    question = desk.state.asked
    assert not client.accepted("/answer", {"page": two["page"], "question": question, "answer": "done"})
    assert client.accepted("/take", {"page": two["page"]})
    second.until("ask", 'data-answer="done"')
    first.until("ask", "This page only watches")
    assert not client.accepted("/answer", {"page": one["page"], "question": question, "answer": "done"})
    assert client.accepted("/answer", {"page": two["page"], "question": question, "answer": "done"})
    assert desk.line() == ""
    assert desk.settle("done") == ("done", "page")
    first.until("notes", "Hook-up 3 of 5: line: done, on the page")
    first.close()
    second.close()


def test_a_reload_keeps_the_buttons(client: Client) -> None:
    before = Stream(client, "a")
    before.next()
    after = Stream(client, "a", fresh=1)
    after.next()
    assert "data-answer" in after.parts["ask"]
    before.close()
    after.close()


def test_too_many_pages_are_refused(client: Client) -> None:
    streams = [Stream(client, str(number)) for number in range(4)]
    for stream in streams:
        stream.next()
    assert client.ask("GET", "/stream?page=more&fresh=1").status == 503
    assert client.ask("GET", "/stream").status == 503
    for stream in streams:
        stream.close()


def test_an_old_or_a_wrong_answer_changes_nothing(desk: Desk, client: Client) -> None:
    stream = Stream(client)
    page, question = stream.next()["page"], desk.state.asked
    assert not client.accepted("/answer", {"page": page, "question": question - 1, "answer": "done"})
    assert not client.accepted("/answer", {"page": page, "question": question, "answer": "override"})
    assert not client.accepted("/answer", {"page": 99, "question": question, "answer": "done"})
    assert desk.state.request is not None
    stream.close()


@pytest.mark.parametrize(
    "body",
    ["", "[]", "{", "null", '{"question": 1}', '{"question": 1, "answer": ["done"]}', '{"question": "1", "answer": "done"}',
     "[" * 900, "x" * 9000],
)  # fmt: skip
def test_what_is_no_answer_is_refused(steady: tuple[Desk, Client], body: str) -> None:
    assert steady[1].post("/answer", body).status == 400


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"Origin": "http://evil.example"}, 403),
        ({"X_Seal": "wrong"}, 403),
        ({"Content_Type": "text/plain"}, 415),
        ({"Cookie": ""}, 403),
        ({"Host": "evil.example"}, 421),
    ],
)
def test_another_site_cannot_answer(steady: tuple[Desk, Client], changes: dict[str, str], status: int) -> None:
    desk, client = steady
    stream = Stream(client)
    page = stream.next()["page"]
    said = {"page": page, "question": desk.state.asked, "answer": "stop"}
    assert client.post("/answer", said, **changes).status == status
    assert client.ask("GET", "/answer").status == 405
    assert desk.answer(desk.state.asked, "done")  # it was still open
    desk.ask(connect())
    stream.close()


def test_the_end_is_told_before_the_server_goes() -> None:
    desk = Desk(State(unit="U"))
    with page_server.serve(desk, ENDS) as address:
        client = Client(address)
        client.enter()
        stream = Stream(client)
        stream.next()
        desk.change(lambda state: asked(state, DOUBT))
        desk.change(lambda state: asked(state, connect()))
        desk.change(lambda state: ended(state, End("U conforms to hf30")))
    told = stream.until("ask", "U conforms to hf30")
    assert told["kind"] == "ended"
    assert stream.next() == {}
    stream.close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", client.port), timeout=WAIT_S)
