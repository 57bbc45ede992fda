"""How wide words are in Helvetica and its like (Arial, Liberation Sans), so that a label's words fit without asking a browser.

Widths of the characters from space to tilde in thousandths of the size, as the fonts' metrics files (AFM) of the PDF base fonts
state them; a test holds them to those files.
"""

from __future__ import annotations

PLAIN = (
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278, 500, 667, 556, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556,
    556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
)  # fmt: skip
BOLD = (
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556, 556, 556, 556,
    556, 556, 333, 333, 584, 584, 584, 611, 975, 722, 722, 722, 722, 667, 611, 778, 722, 278, 556, 722, 611, 833, 722, 778,
    667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333, 278, 333, 584, 556, 333, 556, 611, 556, 611, 556, 333, 611,
    611, 278, 278, 556, 278, 889, 611, 611, 611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584,
)  # fmt: skip
BEYOND = {"±": 584, "…": 1000}
OTHER = 1000
"""What any other character counts as: none of those that a label may hold is wider."""


def width(words: str, size: float, *, bold: bool = False) -> float:
    """Return how wide words are, in the unit of ``size``."""
    table = BOLD if bold else PLAIN
    return size / 1000 * sum(table[ord(c) - 32] if 32 <= ord(c) <= 126 else BEYOND.get(c, OTHER) for c in words)


def fitting(words: str, size: float, room: float, *, bold: bool = False) -> float:
    """Return the size, at most ``size``, at which words fit into ``room``, rounded down to a hundredth."""
    wide = width(words, size, bold=bold)
    return size if wide <= room else int(100 * size * room / wide) / 100
