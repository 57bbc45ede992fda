"""QR codes (ISO/IEC 18004) of what a sheet says, as SVG: dark modules on white whatever the screen, quiet zone of four."""

from __future__ import annotations

from itertools import groupby

from markupsafe import Markup, escape

from harness.records import Proof
from harness.records.figure_text import coupling_text
from harness.sheets.page import printable

QUIET = 4
MOST_ROWS = 40


def unit_text(proof: Proof) -> str:
    """Return what the code of a unit holds: unit, type, day, decision, and coupling with half its interval at each band."""
    lines = [
        f"{printable(proof.unit)[:80]} {proof.type.name} {proof.circumstances.when[:10]} {proof.decision}",
        "MHz coupling dB +/- dB",
    ]
    lines += [" ".join((f"{at.hz / 1e6:.6g}", *coupling_text(at))).strip() for at in proof.coupling_at[:MOST_ROWS]]
    return "\n".join(lines)


def qr_code(text: str, name: str, says: str) -> Markup:
    """Return the code of ``text`` (error correction level M); one user unit is one module."""
    import segno

    rows = segno.make_qr(text, error="m", encoding="utf-8", boost_error=False).matrix
    runs = []
    for y, row in enumerate(rows):
        x = 0
        for dark, run in groupby(row):
            length = len(list(run))
            if dark:
                runs.append(f"M{x + QUIET} {y + QUIET}h{length}v1h-{length}z")
            x += length
    size = len(rows) + 2 * QUIET
    return Markup(  # noqa: S704  every text in it is escaped
        f'<svg xmlns="http://www.w3.org/2000/svg" class="qr" role="img" viewBox="0 0 {size} {size}" shape-rendering="crispEdges" '
        f'aria-labelledby="{escape(name)}-title"><title id="{escape(name)}-title">{escape(printable(says))}</title>'
        f'<rect width="{size}" height="{size}" fill="#ffffff"/><path fill="#000000" d="{"".join(runs)}"/></svg>'
    )
