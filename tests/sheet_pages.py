"""What every page of ours must be, and the browser that looks at it. WCAG and HTML are named where a check stands on them."""

from __future__ import annotations

import re
import subprocess
import xml.etree.ElementTree as ET
from base64 import b64encode
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

from tests.conftest import find_browser
from tests.test_sheets_build import browser, parsed, poppler

QUIET = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update"),
)
XHTML = "{http://www.w3.org/1999/xhtml}"


def check_page(text: str) -> ET.Element:
    """Check structure, names, and that nothing is asked from outside; return the root."""
    root = parsed(text)  # XML 1.0 well-formedness
    elements = list(root.iter())
    tags = [element.tag.split("}")[-1] for element in elements]
    ids = [element.get("id") for element in elements if element.get("id")]
    assert len(ids) == len(set(ids))  # HTML: an id is unique in its document
    for element, tag in zip(elements, tags, strict=True):
        if tag == "svg":  # WCAG 1.1.1: a picture has a text alternative
            assert element.get("role") == "img"
            assert element.get("aria-labelledby") in ids
        if tag == "th":  # WCAG 1.3.1: a heading cell says what it heads
            assert element.get("scope") in ("row", "col")
        for name, value in element.attrib.items():
            assert not name.split("}")[-1].startswith("on")
            if name.split("}")[-1] in ("href", "src", "action", "data", "poster"):
                assert value.startswith("#")
    assert root.get("lang") == "en"  # WCAG 3.1.1
    assert tags.count("h1") == 1  # WCAG 1.3.1, 2.4.6: one main heading, levels not skipped
    levels = [int(tag[1]) for tag in tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))
    assert tags.count("main") == 1
    assert not {"link", "img", "iframe", "object", "b"} & set(tags)
    assert re.findall(r"url\((?!#)", text) == []
    assert "@import" not in text
    check_script(root)
    return root


def check_script(root: ET.Element) -> None:
    """One script of ours, which the page's policy allows by its hash and by nothing else (CSP level 2)."""
    scripts = [element for element in root.iter() if element.tag.split("}")[-1] == "script"]
    assert len(scripts) == 1
    assert not scripts[0].attrib
    digest = b64encode(sha256((scripts[0].text or "").encode()).digest()).decode()
    policy = next(element.get("content") or "" for element in root.iter(f"{XHTML}meta") if element.get("http-equiv"))
    assert policy == f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"


def printed(folder: Path, text: str) -> tuple[int, str]:
    """Print a page as PDF; return how many A4 pages it makes and its words."""
    source, target = folder / "page.html", folder / "page.pdf"
    source.write_text(text, "utf-8")
    browser(folder, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri())
    info = subprocess.run([poppler("pdfinfo"), str(target)], capture_output=True, text=True, check=True).stdout
    pages = re.search(r"^Pages:\s+(\d+)$", info, re.MULTILINE)
    size = re.search(r"^Page size:\s+([\d.]+) x ([\d.]+) pts", info, re.MULTILINE)
    assert pages is not None
    assert size is not None
    assert [round(float(number) / 72 * 25.4) for number in size.groups()] == [210, 297]  # ISO 216
    words = subprocess.run([poppler("pdftotext"), "-layout", str(target), "-"], capture_output=True, text=True, check=True).stdout
    return int(pages[1]), words


def console(folder: Path, text: str) -> list[str]:
    """Open a page and return what the browser's console says: errors of scripts, refused and failed requests."""
    source = folder / "page.html"
    source.write_text(text, "utf-8")
    found = find_browser()
    assert found is not None
    profile = f"--user-data-dir={folder / 'profile'}"
    command = [str(found), *QUIET, profile, "--enable-logging=stderr", "--dump-dom", source.as_uri()]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stderr
    return [line for line in told.splitlines() if "CONSOLE" in line]
