"""Every sheet in one browser: wide and narrow, light and dark, and as A4 pages. The source stands beside each check."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

pytest.importorskip("playwright.sync_api", reason="playwright, which drives the browser, is not installed")
pytest.importorskip("axe_playwright_python", reason="the accessibility rules (axe) are not installed")

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import sync_playwright

from tests import test_sheets_batch, test_sheets_build, test_sheets_drift, test_sheets_unit
from tests.conftest import find_browser
from tests.sheet_records import unit_proof
from tests.test_sheets_build import poppler

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.needs_browser
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
WIDE, NARROW = 1280, 390
PAPER = 710
"""Pixels of 96 to the inch between the margins of 11 mm of an A4 page."""

Make = Callable[[], str]
UNITS: dict[str, Make] = {f"unit {kind}": partial(test_sheets_unit.page, kind) for kind in test_sheets_unit.PROOFS}
DRIFTS: dict[str, Make] = {f"drift {kind}": partial(test_sheets_drift.page, kind) for kind in test_sheets_drift.KINDS}
BUILDS: dict[str, Make] = {f"build {kind}": partial(test_sheets_build.page, kind) for kind in test_sheets_build.KINDS}
BATCHES: dict[str, Make] = {f"batch {count}": partial(test_sheets_batch.page, count) for count in (2, 6, 60, 200)}
BATCHES["batch hostile"] = test_sheets_batch.hostile_page
POINTS: dict[str, Make] = {"unit 1601": partial(test_sheets_unit.page, "good", 1601)}
SHEETS = UNITS | DRIFTS | BUILDS | BATCHES | POINTS
BY_RULES = ("unit good", "unit failed", "drift drifted", "batch 6", "build bare")

MEASURE = """() => {
  const seen = [], bad = [], wide = document.documentElement.clientWidth;
  for (const el of document.querySelectorAll("h1,h2,li,td,th,dt,dd,p,figcaption,svg text")) {
    if (!el.checkVisibility() || !el.textContent.trim()) continue;
    const range = document.createRange(); range.selectNodeContents(el);
    const box = el.tagName === "text" ? el.getBoundingClientRect() : range.getBoundingClientRect();
    const svg = el.closest("svg"), says = el.textContent.trim().slice(0, 60);
    if (svg) {
      const frame = svg.getBoundingClientRect();
      const aside = box.left < frame.left - 0.5 || box.right > frame.right + 0.5;
      if (aside || box.top < frame.top - 0.5 || box.bottom > frame.bottom + 0.5) bad.push(["cut by its picture", says]);
    }
    if (!el.closest(".scroll") && (box.left < -0.5 || box.right > wide + 0.5)) bad.push(["cut", says, box.right]);
    seen.push([el, box]);
  }
  for (let i = 0; i < seen.length; i++) for (let j = i + 1; j < seen.length; j++) {
    const [a, p] = seen[i], [b, q] = seen[j];
    const x = Math.min(p.right, q.right) - Math.max(p.left, q.left), y = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
    if (x > 1 && y > 2 && !a.contains(b) && !b.contains(a)) bad.push(["overlap", a.textContent.trim(), b.textContent.trim()]);
  }
  const small = [...document.querySelectorAll("svg text")].map((one) => one.getBoundingClientRect().height);
  return {bad: bad, seen: seen.length, wide: document.documentElement.scrollWidth - wide, small: Math.min(99, ...small)};
}"""


class Watched:
    """One browser page that opens sheet after sheet, and everything that a sheet should not do."""

    def __init__(self, browser: Browser, folder: Path) -> None:
        self.page = browser.new_page(viewport={"width": WIDE, "height": 900})
        self.folder, self.problems, self.asked = folder, list[str](), list[str]()
        self.page.on("console", lambda message: self.problems.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.problems.append(f"error: {error}"))
        self.page.on("request", lambda request: self.asked.append(request.url))

    def open(self, text: str) -> Page:
        """Open a sheet on a wide, light screen."""
        source = self.folder / "sheet.html"
        source.write_text(text, "utf-8")
        self.page.set_viewport_size({"width": WIDE, "height": 900})
        self.page.emulate_media(media="screen", color_scheme="light")
        self.problems.clear()
        self.asked.clear()
        self.page.goto(source.as_uri())
        return self.page

    def assert_quiet(self) -> None:
        """No console message, no error, and no request but for the page itself."""
        assert self.problems == []
        assert self.asked == [(self.folder / "sheet.html").as_uri()]

    def pdf(self, text: str) -> Path:
        """Print a sheet."""
        target = self.folder / "sheet.pdf"
        page = self.open(text)
        page.emulate_media(media="print")
        page.pdf(path=str(target), prefer_css_page_size=True)
        return target


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Watched]:
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=str(find_browser()), args=list(FLAGS))
        yield Watched(browser, tmp_path_factory.mktemp("sheets"))
        browser.close()


@pytest.mark.parametrize("which", SHEETS)
def test_nothing_overlaps_or_is_cut_on_screens_and_paper_and_the_page_keeps_quiet(watched: Watched, which: str) -> None:
    page = watched.open(SHEETS[which]())
    page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")
    for width, media, least in ((WIDE, "screen", 8.5), (NARROW, "screen", 7), (PAPER, "print", 4.9)):
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(media=media)
        told = page.evaluate(MEASURE)
        assert told["bad"] == [], (which, width)
        assert told["wide"] <= 0, (which, width)
        assert told["seen"] > 40
        assert told["small"] >= least, (which, width)
    watched.assert_quiet()


@pytest.mark.parametrize("which", BY_RULES)
def test_contrast_and_structure_pass_on_a_light_and_on_a_dark_screen(watched: Watched, which: str) -> None:
    # The rules of axe-core (WCAG 2.x and best practices); on the dark screen only colours are others.
    page = watched.open(SHEETS[which]())
    for scheme, options in (("light", {}), ("dark", {"runOnly": ["color-contrast"]})):
        page.emulate_media(color_scheme=scheme)
        found = Axe().run(page, options=options).response["violations"]
        assert [(one["id"], [node["html"] for node in one["nodes"]]) for one in found] == [], (which, scheme)


@pytest.mark.parametrize("which", [*UNITS, *DRIFTS, *BUILDS, "unit 1601", "batch 6"])
def test_it_prints_on_one_a4_page(watched: Watched, which: str) -> None:
    assert pages_of(watched.pdf(SHEETS[which]())) == 1


def test_a_batch_of_200_prints_whole(watched: Watched) -> None:
    printed = watched.pdf(SHEETS["batch 200"]())
    assert 3 <= pages_of(printed) <= 8
    words = subprocess.run(
        [poppler("pdftotext"), "-layout", str(printed), "-"], capture_output=True, text=True, check=True
    ).stdout
    assert all(f"CL-{number:04d}" in words for number in range(1, 201))


def pages_of(printed: Path) -> int:
    """How many pages a print has; all of them A4 (ISO 216: 210 mm by 297 mm; one point is 1/72 inch)."""
    info = subprocess.run([poppler("pdfinfo"), str(printed)], capture_output=True, text=True, check=True).stdout
    size = re.search(r"^Page size:\s+([\d.]+) x ([\d.]+) pts", info, re.MULTILINE)
    pages = re.search(r"^Pages:\s+(\d+)$", info, re.MULTILINE)
    assert size is not None
    assert pages is not None
    assert [float(number) / 72 * 25.4 for number in size.groups()] == pytest.approx([210, 297], abs=0.5)
    return int(pages[1])


@pytest.mark.parametrize("kind", ["bare", "two"])
def test_the_printed_bar_is_50_mm_long(watched: Watched, kind: str) -> None:
    printed = watched.pdf(test_sheets_build.page(kind))
    boxes = subprocess.run([poppler("pdftotext"), "-bbox", str(printed), "-"], capture_output=True, text=True, check=True).stdout
    marks = bar_marks(boxes)
    assert (marks[5] - marks[0]) / 72 * 25.4 == pytest.approx(50, abs=0.2)


def bar_marks(boxes: str) -> list[float]:
    """Middles of the bar's numbers 0 10 20 30 40 50, found as the one row that holds them in that order."""
    rows: dict[float, list[tuple[float, str]]] = {}
    for left, top, right, word in re.findall(r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="[\d.]+">([^<]*)<', boxes):
        rows.setdefault(round(float(top)), []).append(((float(left) + float(right)) / 2, word))
    for row in rows.values():
        named = [(x, word) for x, word in sorted(row) if word in ("0", "10", "20", "30", "40", "50", "50mm")]
        if [word.removesuffix("mm") for _, word in named] == ["0", "10", "20", "30", "40", "50"] and named[-1][1] == "50":
            return [x for x, _ in named]
    raise AssertionError("the bar's numbers were not found in the print")


def test_the_pointer_and_the_arrow_keys_read_frequency_and_value(watched: Watched) -> None:
    # The middle of the chart is 10 MHz where the axis goes from 1 to 100.
    page = watched.open(SHEETS["unit good"]())
    chart = page.locator("svg.chart").first
    left, _, right, _ = (float(edge) for edge in (chart.get_attribute("data-field") or "").split())
    box = chart.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + (left + right) / 2 * box["width"] / 120, box["y"] + box["height"] / 2)
    first = read(page)
    assert first[0] == pytest.approx(10, rel=0.05)
    table = unit_proof().coupling_table
    assert table is not None
    assert first[1] == pytest.approx(np.interp(first[0] * 1e6, table.hz, table.db), abs=0.01)
    chart.focus()
    page.keyboard.press("ArrowRight")
    assert read(page)[0] > first[0]
    watched.assert_quiet()


def read(page: Page) -> tuple[float, float]:
    """MHz and dB of the first chart's read-out."""
    said = re.fullmatch(r"([\d.]+) MHz: coupling ([\d.]+) dB", page.locator(".readout").first.inner_text())
    assert said is not None
    return float(said[1]), float(said[2])


def test_without_script_the_page_is_complete(watched: Watched) -> None:
    text = re.sub(r"<script>.*?</script>", "", SHEETS["unit failed"](), flags=re.DOTALL)
    told = watched.open(text).evaluate(MEASURE)
    assert told["bad"] == []
    assert watched.page.locator(".readout").count() == 0
    assert watched.page.locator("svg.chart path.curve").count() >= 4


def test_the_policy_stops_any_other_script_and_the_console_tells(watched: Watched) -> None:
    watched.open(SHEETS["unit good"]().replace("</main>", "<script>document.title = 'x'</script></main>"))
    assert "Content Security Policy" in " ".join(watched.problems)


def test_what_overlaps_is_cut_or_asks_from_outside_is_seen(watched: Watched) -> None:
    bad = "<p style='position:absolute;top:0'>one text</p><p style='position:absolute;top:0'>two texts</p>"
    bad += "<p style='margin-top:90px;white-space:nowrap;width:9000px;color:#999'>" + 300 * "long " + "</p>"
    bad += "<svg width='60' height='20'><text x='30' y='30'>beside its picture</text></svg><img src='http://127.0.0.1:9/x.png'/>"
    page = watched.open(bad)
    told: dict[str, Any] = page.evaluate(MEASURE)
    assert {kind for kind, *_ in told["bad"]} == {"overlap", "cut", "cut by its picture"}
    assert told["wide"] > 0
    assert "color-contrast" in [one["id"] for one in Axe().run(page).response["violations"]]
    with pytest.raises(AssertionError):
        watched.assert_quiet()
