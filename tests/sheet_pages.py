"""What every page of ours must be. WCAG and HTML are named where a check stands on them."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from base64 import b64encode
from hashlib import sha256
from itertools import pairwise

from tests.test_sheets_build import parsed

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
