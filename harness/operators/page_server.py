"""The bench page's server: a thread of its own, on the loopback address, for one run. Edge.

The page gets its state as server-sent events: the whole of it when a stream begins, then what has changed. A stream that is
idle is given a sign of life, so that a page knows when the program has gone or its computer has slept.
"""

from __future__ import annotations

import asyncio
import json
import secrets as random
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, MutableMapping
from contextlib import contextmanager, suppress
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from harness.files import read_data_text
from harness.operators import page_access, page_state
from harness.operators.page import Desk
from harness.operators.page_access import HOST, MOST_STREAMS, Pages, Refusal, Secrets
from harness.sheets.bench_page import Seen, bench_page, bench_parts, page_title
from harness.sheets.hookup_drawing import UnitEnds

BEAT_S = 10.0
"""An idle stream says so often that it is alive."""
BREATH_S = 0.06
"""Changes that come faster than this are sent together."""
PARTING_S = 2.0
"""So long the end of a run waits until the open pages have heard of it."""
MOST_BYTES = 1000
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


class Counter:
    """Hands out the page: the routes, and who has opened it. Lives in the server's thread, but for ``wait_until_left``."""

    def __init__(self, desk: Desk, ends: UnitEnds, secrets: Secrets, beat: float) -> None:
        self.secrets = secrets
        self._beat = beat
        self._desk = desk
        self._ends = ends
        self._pages = Pages()
        self._token_used = False
        self._left = threading.Condition()
        routes = [
            Route("/", self._home),
            Route("/bench.css", self._file("bench.css", "text/css")),
            Route("/bench.js", self._file("bench.js", "text/javascript")),
            Route("/stream", self._stream),
            Route("/answer", self._answer, methods=["POST"]),
            Route("/take", self._take, methods=["POST"]),
        ]
        self._app = Starlette(routes=routes)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request (ASGI); what is not for strangers is refused before a route sees it."""
        if scope["type"] != "http":
            return
        headers = [(name.decode("latin-1").lower(), value.decode("latin-1")) for name, value in scope["headers"]]
        refused = page_access.refusal(scope["method"], scope["raw_path"].partition(b"?")[0], headers, self.secrets)
        if refused is None and not page_access.knows(headers, self.secrets):
            answer: Any = self._opened(Request(scope, receive))
        elif refused is not None:
            answer = _refused(refused)
        else:
            answer = self._app
        await answer(scope, receive, _with_headers(send))

    def _opened(self, request: Request) -> Response:
        """Answer somebody without the cookie: the token gives it, once."""
        token = request.query_params.get("token", "")
        if request.url.path != "/" or not page_access.opens(token, self.secrets):
            return _refused(Refusal(403, "Open the address that the program printed."))
        if self._token_used:
            says = "This address works once. Open http://{} in the same browser, or run the command again."
            return _refused(Refusal(403, says.format(self.secrets.host)))
        self._token_used = True
        response = RedirectResponse("/", status_code=303)
        response.set_cookie(self.secrets.cookie_name, self.secrets.cookie, httponly=True, samesite="strict", path="/")
        return response

    async def _home(self, request: Request) -> Response:
        if request.url.query:
            return RedirectResponse("/", status_code=303)
        view = page_state.view(self._desk.state)
        return Response(bench_page(view, Seen(True, self._ends), seal=self.secrets.seal), media_type="text/html")

    @staticmethod
    def _file(name: str, kind: str) -> Callable[[Request], Awaitable[Response]]:
        text = read_data_text(f"templates/{name}")

        async def serve(_: Request) -> Response:
            return Response(text, media_type=kind)

        return serve

    async def _stream(self, request: Request) -> Response:
        name, fresh = request.query_params.get("page", "")[:64], request.query_params.get("fresh") == "1"
        if not name or len(self._pages.names) >= MOST_STREAMS:
            return _refused(Refusal(503, "Too many pages are open."))
        return StreamingResponse(self._events(name, fresh=fresh), media_type="text/event-stream")

    async def _events(self, name: str, *, fresh: bool) -> AsyncIterator[str]:
        loop, wake = asyncio.get_running_loop(), asyncio.Event()

        def poke() -> None:
            with suppress(RuntimeError):  # the loop has ended
                loop.call_soon_threadsafe(wake.set)

        self._pages = self._pages.joined(name, fresh=fresh)
        number, sent, end_listening = self._pages.count, dict[str, Any](), self._desk.listen(poke)
        self._desk.tell_listeners()  # the page that had the buttons may watch from now on
        try:
            while True:
                wake.clear()
                now = self._shown(number)
                if now != sent:
                    changed = {part: html for part, html in now["parts"].items() if sent.get("parts", {}).get(part) != html}
                    yield f"data: {json.dumps({**now, 'parts': changed})}\n\n"
                if now["kind"] == "ended":
                    return
                sent = now
                while not await _woken(wake, self._beat):
                    yield "event: beat\ndata: -\n\n"
                await asyncio.sleep(BREATH_S)
        finally:
            end_listening()
            self._forget(number)

    def _shown(self, number: int) -> dict[str, Any]:
        """Return all that one stream's page shows now."""
        view = page_state.view(self._desk.state)
        parts = bench_parts(view, Seen(self._pages.answers(number), self._ends))
        return {"page": number, "kind": view.kind, "question": view.question, "title": page_title(view), "parts": parts}

    def _forget(self, number: int) -> None:
        with self._left:
            self._pages = self._pages.left(number)
            self._left.notify_all()

    def wait_until_left(self, seconds: float) -> bool:
        """Wait until no stream is open (each ends by itself when it has told the end of the run); False after ``seconds``."""
        with self._left:
            return self._left.wait_for(lambda: not self._pages.names, seconds)

    async def _answer(self, request: Request) -> Response:
        said = await _said(request)
        question, answer = said.get("question"), said.get("answer")
        if not isinstance(question, int) or not isinstance(answer, str) or answer not in page_state.KEYS:
            return _refused(Refusal(400, "An answer names its question."))
        if not self._pages.answers(_number(said)):
            return JSONResponse({"accepted": False, "says": "This page only watches."})
        return JSONResponse({"accepted": self._desk.answer(question, answer)})

    async def _take(self, request: Request) -> Response:
        self._pages = self._pages.taken(_number(await _said(request)))
        self._desk.tell_listeners()
        return JSONResponse({"accepted": True})


async def _woken(wake: asyncio.Event, beat: float) -> bool:
    """Wait for a change; False where none has come for a while."""
    try:
        await asyncio.wait_for(wake.wait(), beat)
    except TimeoutError:
        return False
    return True


async def _said(request: Request) -> dict[str, Any]:
    """Return the JSON object of a request; empty where it is none, or longer than any answer."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BYTES:
            return {}
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return said if isinstance(said, dict) else {}


def _number(said: dict[str, Any]) -> int:
    number = said.get("page")
    return number if isinstance(number, int) else 0


def _refused(refusal: Refusal) -> Response:
    return PlainTextResponse(refusal.says + "\n", status_code=refusal.status)


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            more = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending


@contextmanager
def serve(desk: Desk, ends: UnitEnds, beat: float = BEAT_S) -> Iterator[str]:
    """Serve the page on a free port of the loopback address and give the address that opens it, once.

    ``beat``: seconds from one sign of life to the next. On leaving, the open pages hear how the run has ended before
    the server goes.
    """
    listener = socket.create_server((HOST, 0))
    made = Secrets(listener.getsockname()[1], *(random.token_urlsafe(24) for _ in range(3)))
    counter = Counter(desk, ends, made, beat)
    config = uvicorn.Config(
        counter, http="h11", ws="none", loop="asyncio", lifespan="off", log_config=None, log_level="critical",
        access_log=False, proxy_headers=False, server_header=False, timeout_graceful_shutdown=1,
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="bench page", daemon=True)
    thread.start()
    try:
        yield made.address
    finally:
        counter.wait_until_left(PARTING_S)
        server.should_exit = True
        thread.join(5.0)
        listener.close()
