"""A characterisation as lines of text: term, size, how found, what bounds it."""

from __future__ import annotations

from harness.records import Characterised
from harness.records.characterisation import Term

SHARES = ("reflection tracking", "transmission tracking", "cable", "linearity")
"""Terms whose size is ± dB on a reading; the others are levels."""


def characterised_lines(record: Characterised) -> list[str]:
    """Return the table, without colours."""
    offset = record.offset
    lines = [
        f"{record.bench} is characterised ({record.made[:10]}, {record.analyser}); sizes are 95 %",
        f"  offset: {offset.delay_s * 1e9:.2f} ns, {offset.loss_db:.2f} dB one way at {offset.at_hz / 1e6:.0f} MHz; "
        f"what the fit leaves: {record.misfit:.2f} of what is expected",
        "",
        f"  {'term':<22} {'size':>12} {'stated':>12}  verdict",
    ]
    for term in record.terms:
        lines += [
            f"  {term.term:<22} {size_of(term, term.size_db):>12} {size_of(term, term.stated_db):>12}  {term.verdict}",
            f"      how found: {term.how}",
            f"      bounded by: {term.bound}",
        ]
    return lines


def size_of(term: Term, size: float | None) -> str:
    """Return a size of a term in words: a level, or ± dB on a reading; "–" where there is none."""
    if size is None:
        return "–"
    return f"± {size:.3f} dB" if term.term in SHARES else f"{size:.1f} dB"
