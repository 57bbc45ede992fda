"""The one script of our pages: package data that stands in the page, allowed there by its own hash and by nothing else."""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from hashlib import sha256

from markupsafe import Markup

from harness.sheets.page import render


@cache
def readout_script() -> tuple[Markup, str]:
    """Return the script's text, and the source of it for a Content-Security-Policy (CSP level 2: 'sha256-…')."""
    text = render("readout.js")
    return Markup(text), f"'sha256-{b64encode(sha256(text.encode()).digest()).decode()}'"  # noqa: S704  our own file
