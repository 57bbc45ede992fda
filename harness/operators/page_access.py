"""Who may see the bench page, and which page has the buttons. Pure: what was asked for in, a refusal or nothing out.

The page is served on the loopback address only, but any program and any web site that a browser on this computer opens can
send requests there. So: the Host header must be ours (a name that a stranger's DNS points here is refused), Origin and
Sec-Fetch-Site must not be another site's, every path is known beforehand, a secret cookie is needed, and what changes something
must be a POST that carries the seal that only our own page knows.
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from http.cookies import CookieError, SimpleCookie

HOST = "127.0.0.1"
READ = ("/", "/bench.css", "/bench.js", "/stream")
SEND = ("/answer", "/take")
MOST_STREAMS = 4
"""A browser opens six connections to one place: the streams of more pages than this would leave none for an answer."""


@dataclass(frozen=True)
class Secrets:
    """The secrets of one run. ``token`` works once and gives ``cookie``; ``seal`` stands in the page and goes with answers."""

    port: int
    token: str
    cookie: str
    seal: str

    @property
    def host(self) -> str:
        """What the Host header must be."""
        return f"{HOST}:{self.port}"

    @property
    def cookie_name(self) -> str:
        """The cookie's name; a browser does not keep cookies of one address apart by port."""
        return f"tapproof-{self.port}"

    @property
    def address(self) -> str:
        """The address that opens the page, once."""
        return f"http://{self.host}/?token={self.token}"


@dataclass(frozen=True)
class Refusal:
    """Why a request is refused: HTTP status and one sentence."""

    status: int
    says: str


def refusal(method: str, raw_path: bytes, headers: Sequence[tuple[str, str]], secrets: Secrets) -> Refusal | None:
    """Return why a request is refused, or None. ``headers``: names in lower case; the query is no part of ``raw_path``."""
    found: dict[str, list[str]] = {}
    for name, value in headers:
        found.setdefault(name, []).append(value)
    stranger = _stranger(found, secrets)
    if stranger is not None:
        return stranger
    path = raw_path.decode("latin-1")
    if path not in READ + SEND:
        return Refusal(404, "There is no such page here.")
    if method != ("POST" if path in SEND else "GET"):
        return Refusal(405, "This address does not take that method.")
    return _unsealed(found, secrets) if path in SEND else None


def _stranger(found: Mapping[str, list[str]], secrets: Secrets) -> Refusal | None:
    if found.get("host") != [secrets.host]:
        return Refusal(421, f"This page is at http://{secrets.host}/ and nowhere else.")
    if any(origin != f"http://{secrets.host}" for origin in found.get("origin", ())):
        return Refusal(403, "Another site may not ask this page.")
    if any(site not in ("same-origin", "none") for site in found.get("sec-fetch-site", ())):
        return Refusal(403, "Another site may not ask this page.")
    return None


def _unsealed(found: Mapping[str, list[str]], secrets: Secrets) -> Refusal | None:
    if found.get("origin") != [f"http://{secrets.host}"]:
        return Refusal(403, "An answer comes from the page itself.")
    if found.get("content-type") != ["application/json"]:
        return Refusal(415, "An answer is JSON.")
    seals = found.get("x-seal", [])
    if len(seals) != 1 or not _same(seals[0], secrets.seal):
        return Refusal(403, "An answer comes from the page itself.")
    return None


def knows(headers: Sequence[tuple[str, str]], secrets: Secrets) -> bool:
    """Tell whether a request carries the cookie."""
    for name, value in headers:
        if name != "cookie":
            continue
        try:
            held = SimpleCookie(value)
        except CookieError:
            continue
        morsel = held.get(secrets.cookie_name)
        if morsel is not None and _same(morsel.value, secrets.cookie):
            return True
    return False


def opens(token: str, secrets: Secrets) -> bool:
    """Tell whether this is the token."""
    return _same(token, secrets.token)


def _same(one: str, other: str) -> bool:
    """Compare in a time that does not tell how much of it was right."""
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode("utf-8"))


@dataclass(frozen=True)
class Pages:
    """The open pages: which streams are alive, and which of them has the buttons.

    A stream is numbered; ``names`` tells which page it belongs to (a page keeps its name over a reload). ``holder`` is the name
    of the page that has the buttons, ``by`` its stream.
    """

    count: int = 0
    names: tuple[tuple[int, str], ...] = ()
    holder: str = ""
    by: int = 0

    def joined(self, name: str, *, fresh: bool) -> Pages:
        """A stream begins. Its page gets the buttons where it had them, or where it was just opened and nobody has them."""
        number = self.count + 1
        here = replace(self, count=number, names=(*self.names, (number, name)))
        if name == self.holder or (fresh and self.by not in dict(self.names)):
            return replace(here, holder=name, by=number)
        return here

    def left(self, number: int) -> Pages:
        """A stream has ended."""
        return replace(self, names=tuple(one for one in self.names if one[0] != number))

    def taken(self, number: int) -> Pages:
        """A page that watched takes the buttons over; nothing happens where its stream has ended."""
        name = dict(self.names).get(number)
        return self if name is None else replace(self, holder=name, by=number)

    def answers(self, number: int) -> bool:
        """Tell whether this stream's page has the buttons."""
        return number == self.by and number in dict(self.names)
