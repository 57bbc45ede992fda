"""The bench page in a browser: every state at two widths, light and dark; and whole runs of the program by the page's buttons."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.command_line import write_bench
from tests.conftest import find_browser
from tests.page_views import ENDS, HOSTILE, states

pytest.importorskip("starlette", reason="the extra 'page' is not installed")
pytest.importorskip("uvicorn", reason="the extra 'page' is not installed")
pytest.importorskip("playwright.sync_api", reason="playwright, which drives the browser, is not installed")
pytest.importorskip("axe_playwright_python", reason="the accessibility rules (axe) are not installed")

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from harness.operators.page import Desk
from harness.operators.page_server import serve
from harness.operators.page_state import End, State, ended, noted
from tests.page_views import connect

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

pytestmark = pytest.mark.needs_browser
ROOT = Path(__file__).resolve().parent.parent
WIDTHS = ((1280, 800), (390, 844))
SCHEMES = ("light", "dark")
WAIT_MS = 240_000
"""A browser on a busy machine; nothing passes or fails by it but what hangs."""
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip

MEASURE = """() => {
  const seen = [], bad = [], wide = document.documentElement.clientWidth;
  for (const el of document.querySelectorAll("h1,li>span,th,td,p,figcaption,button,svg text,progress")) {
    if (!el.checkVisibility() || !(el.textContent.trim() || el.tagName === "PROGRESS")) continue;
    const range = document.createRange(); range.selectNodeContents(el);
    const own = el.tagName === "BUTTON" || el.tagName === "text" || el.tagName === "PROGRESS";
    const box = own ? el.getBoundingClientRect() : range.getBoundingClientRect();
    const frame = el.closest("svg") ? el.closest("svg").getBoundingClientRect() : {left: 0, right: wide, top: 0, bottom: 1e9};
    const aside = box.left < frame.left - 0.5 || box.right > frame.right + 0.5;
    if (aside || box.top < frame.top - 0.5 || box.bottom > frame.bottom + 0.5)
      bad.push(["cut", el.textContent.trim()]);
    if (el.scrollWidth > el.clientWidth + 1 && el.tagName === "BUTTON") bad.push(["cut inside", el.textContent.trim()]);
    seen.push([el, box]);
  }
  for (let i = 0; i < seen.length; i++) for (let j = i + 1; j < seen.length; j++) {
    const [a, p] = seen[i], [b, q] = seen[j];
    if (a.contains(b) || b.contains(a)) continue;
    const x = Math.min(p.right, q.right) - Math.max(p.left, q.left), y = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (x > 1 && y > 2) bad.push(["overlap", a.textContent.trim(), b.textContent.trim()]);
  }
  const small = [...document.querySelectorAll("svg text")].map((one) => one.getBoundingClientRect().height);
  return {bad: bad, seen: seen.length, wide: document.documentElement.scrollWidth - wide, small: Math.min(99, ...small)};
}"""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as started:
        opened = started.chromium.launch(executable_path=str(find_browser()), args=list(FLAGS))
        yield opened
        opened.close()


class Watched:
    """Pages of one browser profile, and everything that they should not do."""

    def __init__(self, context: BrowserContext) -> None:
        self.context = context
        self.problems: list[str] = []
        self.asked: list[str] = []
        context.set_default_timeout(WAIT_MS)
        context.on("request", lambda request: self.asked.append(request.url))

    def open(self, address: str) -> Page:
        page = self.context.new_page()
        page.on("console", lambda message: self.problems.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.problems.append(f"error: {error}"))
        page.goto(address)
        page.locator("#ask h1").wait_for()
        return page

    def assert_quiet(self, origin: str) -> None:
        """No console message, no error, and no request but to the page's own server."""
        assert self.problems == []
        assert [url for url in self.asked if not url.startswith((f"{origin}/", "data:,"))] == []


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    yield Watched(context)
    context.close()


@contextmanager
def served(state: State) -> Iterator[tuple[Desk, str]]:
    desk = Desk(state)
    with serve(desk, ENDS) as address:
        yield desk, address
        desk.change(lambda now: ended(now, End("over")))


def origin_of(address: str) -> str:
    return address.partition("/?")[0]


def assert_in_order(page: Page, what: str, *, rules: bool) -> None:
    """At both widths, light and dark: nothing cut, nothing on something else, no small label; ``rules``: axe finds nothing."""
    for width, height in WIDTHS:
        page.set_viewport_size({"width": width, "height": height})
        told = page.evaluate(MEASURE)
        assert told["bad"] == [], (what, width)
        assert told["wide"] <= 0, (what, width)
        assert told["seen"] >= 2
        assert told["small"] >= 9, (what, width)
        for scheme in SCHEMES if rules else ():
            page.emulate_media(color_scheme=scheme)
            found = Axe().run(page).response["violations"]
            assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == [], (what, width, scheme)


def settled(page: Page) -> None:
    """Wait until the page has heard of the present state: what can be pressed is enabled."""
    if page.locator("#ask button").count():
        page.locator("#ask button:enabled").first.wait_for()


@pytest.mark.thorough
def test_every_state_is_in_order_at_both_widths_light_and_dark(watched: Watched) -> None:
    # Contrast, names, structure, roles by the rules of axe-core (WCAG 2.x and best practices).
    every = {**states(), "hostile": states(HOSTILE, HOSTILE)["doubt"], "long": states("CL-" + 60 * "7", 40 * "word ")["doubt"]}
    with served(State()) as (desk, address):
        page = watched.open(address)
        for name, state in every.items():
            if state.end is not None:
                continue  # a page that has heard the end listens no more
            mark = f"now {name}"
            desk.change(lambda now, state=state, mark=mark: noted(state, mark))
            page.get_by_text(mark, exact=True).wait_for()
            settled(page)
            assert_in_order(page, name, rules=name in ("connect", "sweeping", "doubt"))
        watching = watched.open(origin_of(address))
        watching.get_by_text("This page only watches").wait_for()
        assert_in_order(watching, "watching", rules=True)
    watched.assert_quiet(origin_of(address))


@pytest.mark.parametrize("name", ["result", "trouble"])
def test_the_end_of_a_run_is_in_order_and_stays_when_the_program_has_gone(watched: Watched, name: str) -> None:
    with served(states()["sweeping"]) as (desk, address):
        page = watched.open(address)
        desk.change(lambda _: states()[name])
        page.locator("body[data-kind=ended]").wait_for()
    assert_in_order(page, name, rules=name == "result")
    assert page.locator("button").count() == 0
    assert page.locator("#lost").is_hidden()
    watched.assert_quiet(origin_of(address))


def test_what_overlaps_and_what_is_cut_is_seen(watched: Watched) -> None:
    with served(states()["connect"]) as (_, address):
        page = watched.open(address)
        settled(page)
        page.locator("h1").evaluate(
            "one => { one.style.position = 'absolute'; one.style.top = '120px'; one.style.left = '40px'; }"
        )
        page.locator("button").first.evaluate("one => { one.style.minWidth = '9000px'; }")
        page.locator(".quiet, .stays").first.evaluate("one => { one.style.color = '#999'; }")
        told = page.evaluate(MEASURE)
        assert {kind for kind, *_ in told["bad"]} >= {"overlap", "cut"}
        assert "color-contrast" in [one["id"] for one in Axe().run(page).response["violations"]]


def test_keys_answer_and_a_key_held_down_or_pressed_twice_does_not_answer_the_next_question(watched: Watched) -> None:
    with served(states()["connect"]) as (desk, address):
        page = watched.open(address)
        settled(page)
        page.keyboard.press("o")  # this question has no such answer
        page.keyboard.down(" ")
        assert desk.line() == ""
        assert desk.settle("done") == ("done", "page")
        desk.ask(connect())
        settled(page)
        page.keyboard.down(" ")  # still held: the browser repeats the key
        page.keyboard.up(" ")
        desk.change(lambda state: noted(state, "heard"))
        page.get_by_text("heard", exact=True).wait_for()
        page.keyboard.press("q")
        assert desk.line() == "q"  # the first answer to this question
    watched.assert_quiet(origin_of(address))


def test_a_page_that_lost_the_program_says_so_and_comes_back(watched: Watched) -> None:
    with served(states()["connect"]) as (desk, address):
        page = watched.open(address)
        settled(page)
        page.route("**/stream?**", lambda route: route.abort())
        page.evaluate("dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")  # as after a sleep
        page.locator("#lost").wait_for(state="visible")
        assert page.locator("button:enabled").count() == 0
        desk.change(lambda state: noted(state, "meanwhile"))
        page.unroute("**/stream?**")
        page.get_by_text("meanwhile", exact=True).wait_for()
        assert page.locator("#lost").is_hidden()
        settled(page)
        page.locator("[data-answer=done]").click()
        assert desk.line() == ""


# --- whole runs -----------------------------------------------------------------------------------------------------------------


class Run:
    """The program with ``--page`` in a process of its own, without a terminal."""

    def __init__(self, folder: Path, *words: object) -> None:
        bench = folder / "bench.toml"
        command = ["prove", "CL-0007", "--type", "hf30", "--bench", bench, "--log", folder / "log", "--page", *words]
        self.process = subprocess.Popen(
            [sys.executable, "-c", "from harness.cli import main; main()", *map(str, command)],
            cwd=ROOT, env={**os.environ, "PYTHONUNBUFFERED": "1"},
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert self.process.stderr is not None
        said = self.process.stderr.readline()
        found = re.fullmatch(r"The bench page: (http://127\.0\.0\.1:\d+/\?token=\S+)\n", said)
        assert found, said + self.process.stderr.read()
        self.address = found[1]

    def end(self) -> tuple[int, str, str]:
        """Exit status, standard output, standard error."""
        out, err = self.process.communicate(timeout=WAIT_MS / 1000)
        return self.process.returncode, out, err

    def __enter__(self) -> Run:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


def heading(page: Page) -> str:
    return page.locator("#ask h1").inner_text()


def press(page: Page, answer: str) -> None:
    """Press a button, and wait until its question is gone."""
    before = page.locator("#ask").inner_html()
    page.locator(f"[data-answer={answer}]:enabled").click()
    for _ in range(WAIT_MS // 20):
        page.wait_for_timeout(20)
        if page.locator("#ask").inner_html() != before:
            return
    raise AssertionError(f"the question stays after {answer}: {before}")


def next_question(page: Page) -> str:
    """Wait for the next question, or for the end; return its heading."""
    page.locator("body[data-kind=ended], [data-answer]:not([data-answer=stop]):enabled").first.wait_for()
    return heading(page)


def answer_until(page: Page, last: str) -> list[str]:
    """Answer "done" until a heading begins with ``last``; return the headings of the questions before it."""
    seen = []
    while not (head := next_question(page)).startswith(last):
        seen.append(head)
        press(page, "done")
    return seen


@pytest.mark.thorough
def test_a_unit_is_proved_by_the_buttons_with_a_mistake_a_reload_a_stop_and_a_resume(watched: Watched, tmp_path: Path) -> None:
    # The hook-ups and their order: words-and-commands; each mistake is made by the simulated hand, once.
    write_bench(tmp_path, points=55, extra='[simulated.mistakes]\ncal-open = "wrong standard"\nline = "load forgotten"')
    with Run(tmp_path, "--no-diagnosis") as run:
        page = watched.open(run.address)
        assert answer_until(page, "This does not look like the open") == ["Hook-up cal-short", "Hook-up cal-open"]
        assert page.get_by_text("Something looks wrong").is_visible()
        assert "Last sweep: cal-open" in page.locator("#curve").inner_text()
        press(page, "repeat")
        assert answer_until(page, "Hook-up cal-thru")[0] == "Hook-up cal-open"
        page.reload()
        assert next_question(page) == "Hook-up cal-thru"  # and this page still has the buttons
        second = watched.open(origin_of(run.address))
        second.get_by_text("This page only watches").wait_for()
        assert answer_until(page, "Hook-up line") == ["Hook-up cal-thru", "Hook-up verify-thru", "Hook-up coupled"]
        second.get_by_text("Hook-up line").first.wait_for()
        press(page, "stop")
        page.locator("body[data-kind=ended]").wait_for()
        assert heading(page) == "Stopped"
        status, out, err = run.end()
    assert (status, out) == (130, "")
    assert "Answered on the page: stop." in err
    watched.assert_quiet(origin_of(run.address))
    watched.asked.clear()
    with Run(tmp_path, "--json", "--no-diagnosis") as run:
        page = watched.open(run.address)
        assert next_question(page) == "A run of CL-0007 was interrupted"
        press(page, "done")
        assert answer_until(page, "This does not look like the hook-up line") == ["Hook-up line"]
        assert "load" in page.locator("#ask").inner_text()
        assert "Last sweep: line" in page.locator("#curve").inner_text()
        press(page, "repeat")
        assert answer_until(page, "CL-0007") == ["Hook-up line", "Hook-up coupled-far", "Hook-up sample"]
        assert heading(page) == "CL-0007 conforms to hf30"
        shown = page.locator("tbody").inner_text()
        status, out, err = run.end()
    assert status == 0, err
    document: dict[str, Any] = json.loads(out)
    assert document["decision"] == "conforms"
    assert f"{document['figures']['coupling_db']['value']:.1f}" in shown
    assert (tmp_path / "log" / "proofs" / "CL-0007").is_dir()
    watched.assert_quiet(origin_of(run.address))
