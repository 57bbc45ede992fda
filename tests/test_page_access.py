"""Who may see the bench page. Attacks are those of the web's own documents: cross-site request forgery and DNS rebinding (Fetch
standard: Origin and Sec-Fetch-Site; RFC 9110: Host), and paths with dot segments and percent encoding (RFC 3986)."""

from __future__ import annotations

import pytest

from harness.operators.page_access import Pages, Secrets, knows, opens, refusal

SECRETS = Secrets(8123, "token", "cookie", "seal")
HOST = ("host", "127.0.0.1:8123")
ORIGIN = ("origin", "http://127.0.0.1:8123")
SENT = (HOST, ORIGIN, ("content-type", "application/json"), ("x-seal", "seal"), ("sec-fetch-site", "same-origin"))


def status(method: str, path: bytes, *headers: tuple[str, str]) -> int | None:
    refused = refusal(method, path, headers, SECRETS)
    return None if refused is None else refused.status


@pytest.mark.parametrize("path", [b"/", b"/bench.css", b"/bench.js", b"/stream"])
def test_our_own_requests_pass(path: bytes) -> None:
    assert status("GET", path, HOST) is None
    assert status("GET", path, HOST, ("sec-fetch-site", "none")) is None
    assert status("POST", b"/answer", *SENT) is None
    assert status("POST", b"/take", *SENT) is None


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8123", "localhost:8123", "127.0.0.1", "127.0.0.1:80", "[::1]:8123", "",
     "127.0.0.1:8123.evil.example"]
)  # fmt: skip
def test_another_host_header_is_refused(host: str) -> None:
    assert status("GET", b"/", ("host", host)) == 421


def test_no_host_and_two_hosts_are_refused() -> None:
    assert status("GET", b"/") == 421
    assert status("GET", b"/", HOST, HOST) == 421


@pytest.mark.parametrize(
    "header",
    [
        ("origin", "http://evil.example"),
        ("origin", "null"),
        ("origin", "https://127.0.0.1:8123"),
        ("origin", "http://127.0.0.1:9999"),
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-site", "same-site"),
    ],
)
def test_another_site_is_refused(header: tuple[str, str]) -> None:
    assert status("GET", b"/", HOST, header) == 403
    assert status("POST", b"/answer", *SENT, header) == 403


@pytest.mark.parametrize(
    "path",
    [
        b"//", b"/../", b"/./", b"/bench.css/", b"/bench.css/..", b"/%2e%2e/bench.css", b"/%2Fbench.css", b"/bench%2ejs",
        b"/bench.js%00", b"/bench.js;a", b"/\\bench.js", b"/BENCH.JS", b"/answer/", b"/templates/bench.html", b"/etc/passwd",
        b"", b"*",
        b"http://127.0.0.1:8123/bench.js", b"/b\xc3\xa9nch.js",
    ],
)  # fmt: skip
def test_no_other_path_exists(path: bytes) -> None:
    assert status("GET", path, HOST) == 404


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE", "OPTIONS"])
def test_an_answer_is_a_post(method: str) -> None:
    assert status(method, b"/answer", *SENT) == 405


def test_a_page_is_read_with_get_only() -> None:
    assert status("POST", b"/", *SENT) == 405
    assert status("POST", b"/stream", *SENT) == 405


@pytest.mark.parametrize(
    ("left_out", "instead", "expected"),
    [
        ("origin", None, 403),
        ("x-seal", None, 403),
        ("x-seal", "wrong", 403),
        ("x-seal", "", 403),
        ("x-seal", "séal", 403),
        ("content-type", None, 415),
        ("content-type", "text/plain", 415),
        ("content-type", "application/x-www-form-urlencoded", 415),
    ],
)
def test_an_answer_needs_origin_seal_and_json(left_out: str, instead: str | None, expected: int) -> None:
    headers = [header for header in SENT if header[0] != left_out] + ([(left_out, instead)] if instead is not None else [])
    assert status("POST", b"/answer", *headers) == expected
    assert status("POST", b"/take", *headers) == expected


@pytest.mark.parametrize(
    ("cookie", "known"),
    [
        ("tapproof-8123=cookie", True),
        ("a=b; tapproof-8123=cookie", True),
        ("tapproof-8123=cookies", False),
        ("tapproof-8123=", False),
        ("tapproof-9999=cookie", False),
        ("tapproof=cookie", False),
        ("", False),
        ("=;;=\x7f", False),
    ],
)
def test_only_the_cookie_is_known(cookie: str, known: bool) -> None:
    assert knows([HOST, ("cookie", cookie)], SECRETS) is known
    assert not knows([HOST], SECRETS)


def test_only_the_token_opens() -> None:
    assert opens("token", SECRETS)
    assert not opens("", SECRETS)
    assert not opens("cookie", SECRETS)
    assert not opens("\ud800", SECRETS)


# --- which page has the buttons ---------------------------------------------------------------------------------------------


def test_the_first_page_has_the_buttons_and_the_second_watches() -> None:
    pages = Pages().joined("a", fresh=True).joined("b", fresh=True)
    assert (pages.answers(1), pages.answers(2)) == (True, False)


def test_a_reload_keeps_the_buttons_whichever_stream_ends_first() -> None:
    pages = Pages().joined("a", fresh=True).joined("b", fresh=True)
    assert pages.left(1).joined("a", fresh=True).answers(3)
    late = pages.joined("a", fresh=True)
    assert (late.answers(1), late.answers(3)) == (False, True)
    assert late.left(1).answers(3)


def test_a_watching_page_takes_over_when_it_is_told_to_and_not_by_itself() -> None:
    pages = Pages().joined("a", fresh=True).joined("b", fresh=True).left(1)
    assert not pages.answers(2)
    again = pages.left(2).joined("b", fresh=False)  # its stream broke and came back
    assert not again.answers(3)
    assert again.taken(3).answers(3)
    assert not again.taken(99).answers(99)
    back = again.taken(3).joined("a", fresh=False)
    assert not back.answers(4)


def test_a_page_opened_when_nobody_has_the_buttons_gets_them() -> None:
    pages = Pages().joined("a", fresh=True).left(1).joined("c", fresh=True)
    assert pages.answers(2)
    assert not Pages().answers(0)
