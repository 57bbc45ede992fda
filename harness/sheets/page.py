"""The page that every sheet stands on: one self-contained HTML text, no outside request, readable on paper and on any screen.

The templates are package data under ``harness/data/templates``; everything that comes into them is escaped. The text is also
well-formed XML, so that a strict parser can check it.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("harness", "data/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def render(template: str, **values: object) -> str:
    """Return the HTML of a template of ours ("build.html"); text among ``values`` is escaped, Markup is not."""
    return _environment().get_template(template).render(**values)


def render_block(template: str, block: str, **values: object) -> str:
    """Return the HTML of one block of a template of ours; text among ``values`` is escaped, Markup is not."""
    found = _environment().get_template(template)
    return "".join(found.blocks[block](found.new_context(values)))


def _printable(value: object) -> object:
    """Return text without the control characters that no HTML or XML may hold; other values as they are."""
    return printable(value) if isinstance(value, str) and not hasattr(value, "__html__") else value


def printable(text: str) -> str:
    """Return text with characters that no page may hold (controls, lone surrogates) replaced by U+FFFD."""
    return "".join(c if _allowed(ord(c)) else "\N{REPLACEMENT CHARACTER}" for c in text)


def _allowed(code: int) -> bool:
    if code < 0x20:
        return code in (0x09, 0x0A, 0x0D)
    return not (0x7F <= code <= 0x9F or 0xD800 <= code <= 0xDFFF or code in (0xFFFE, 0xFFFF))
