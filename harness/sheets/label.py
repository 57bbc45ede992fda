"""The label for the box, 50 × 25 mm, as SVG and as PDF: serial, nominal coupling, band, most power, "load the sample port".

One list of marks makes both, so that they are alike. The PDF uses the base fonts that every reader has, and holds no date.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import escape

from harness.errors import UsageError
from harness.quantities import show_frequency, show_power
from harness.records import Proof
from harness.records.figure import CouplingAt
from harness.records.figure_text import coupling_text
from harness.sampler.design import Parts, of_type
from harness.sheets.helvetica import fitting, width
from harness.sheets.page import printable
from harness.sheets.svg import number

WIDTH, HEIGHT = 50.0, 25.0
EDGE = 2.0
ROOM = WIDTH - 2 * EDGE
POINTS_PER_MM = 72 / 25.4
LEAST_SIZE = 1.4
"""The smallest letters in mm; longer words are cut."""


@dataclass(frozen=True)
class Words:
    """Words on the label: where their base line begins or ends, their size, all in mm."""

    text: str
    x: float
    y: float
    size: float
    bold: bool = False
    white: bool = False
    right: bool = False


@dataclass(frozen=True)
class Bar:
    """A black bar, upper left corner and size in mm."""

    x: float
    y: float
    width: float
    height: float


Marks = tuple[Bar | Words, ...]


def label_marks(proof: Proof, parts: Parts) -> Marks:
    """Return what stands on the label. UsageError for a unit that does not conform: its box gets no label."""
    if proof.decision == "does not conform":
        raise UsageError(
            f"{proof.unit} does not conform to {proof.type.name}: no label is made for its box",
            hint="Put it right and prove it again.",
        )
    use, band = proof.type.use, proof.band_hz
    most = f"{show_frequency(band[0])} to {show_frequency(band[1])}, max. {show_power(use.line_power)}, SWR {use.line_swr:g}"
    reads = "reads line current; not directional" + ("; UNDECIDED" if proof.decision == "undecided" else "")
    coupling = _coupling(proof)
    beside = "coupling"
    size = fitting(beside, 2.6, ROOM - width(coupling, 4.2, bold=True) - 1.5)
    bar = Bar(EDGE, 15.4, ROOM, 6.3)
    return (
        *_serial(proof.unit),
        Words(coupling, EDGE, 11.2, 4.2, bold=True),
        Words(beside, WIDTH - EDGE, 11.2, size, right=True),
        Words(most, EDGE, 14.4, fitting(most, 2.6, ROOM)),
        bar,
        *_load_the_port(proof, parts, bar),
        Words(reads, EDGE, 24.0, fitting(reads, 1.9, ROOM)),
    )


def _coupling(proof: Proof) -> str:
    figure = proof.figures["coupling_db"]
    value, half = coupling_text(CouplingAt(hz=proof.band_hz[0], db=figure.value, low=figure.low, high=figure.high))
    return f"{value} dB" if not half or float(half) >= 10 else f"{value} ± {half} dB"


def _serial(unit: str) -> list[Words]:
    """Return the serial in one line, or in two where one would be too small to read."""
    size = fitting(unit, 5.0, ROOM, bold=True)
    if size >= 2.6:
        return [Words(unit, EDGE, 6.4, size, bold=True)]
    half = (len(unit) + 1) // 2
    lines = [_cut(unit[:half].rstrip()), _cut(unit[half:].lstrip())]
    size = min(fitting(line, 2.6, ROOM, bold=True) for line in lines)
    return [Words(line, EDGE, y, size, bold=True) for line, y in zip(lines, (4.2, 6.9), strict=True)]


def _cut(line: str) -> str:
    while width(line, LEAST_SIZE, bold=True) > ROOM:
        line = line[:-2] + "…"
    return line


def _load_the_port(proof: Proof, parts: Parts, bar: Bar) -> list[Words]:
    """Return the caution in the bar, with the volts that stand on the open port where the type's parts are known."""
    room, left = bar.width - 2.4, bar.x + 1.2
    head = "LOAD THE SAMPLE PORT (50 ohm)"
    try:
        volts = of_type(proof.type, parts, draws=0).unloaded.volts
        told = f"{volts / 1e3:.2g} kV" if volts >= 995 else f"{volts:.2g} V" if volts < 99.5 else f"{volts:.0f} V"
        why = f"left open at full power: up to {told} r.m.s. on it"
    except UsageError:
        why = "left open at full power: dangerous voltage on it"
    return [
        Words(head, left, bar.y + 3.0, fitting(head, 2.75, room, bold=True), bold=True, white=True),
        Words(why, left, bar.y + 5.4, fitting(why, 1.95, room), white=True),
    ]


def label_svg(marks: Marks, says: str) -> str:
    """Return the label as an SVG file's text, in its true size."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH:g}mm" height="{HEIGHT:g}mm" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" '
        f'role="img" font-family="Helvetica, Arial, \'Liberation Sans\', sans-serif">',
        f"<title>{escape(printable(says))}</title>",
        f'<rect width="{WIDTH:g}" height="{HEIGHT:g}" fill="#ffffff"/>',
    ]
    for mark in marks:
        if isinstance(mark, Bar):
            parts.append(
                f'<rect x="{number(mark.x)}" y="{number(mark.y)}" width="{number(mark.width)}" height="{number(mark.height)}"/>'
            )
            continue
        style = (' font-weight="700"' if mark.bold else "") + (' fill="#ffffff"' if mark.white else "")
        style += ' text-anchor="end"' if mark.right else ""
        parts.append(
            f'<text x="{number(mark.x)}" y="{number(mark.y)}" font-size="{number(mark.size)}"{style} xml:space="preserve">'
            f"{escape(printable(mark.text))}</text>"
        )
    return "\n".join([*parts, "</svg>"]) + "\n"


def label_pdf(marks: Marks, says: str) -> str:
    """Return the label as a PDF file's text (PDF 1.4, ASCII alone): one page of 50 × 25 mm."""
    content = "\n".join(_drawn(mark) for mark in marks)
    page = f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {_pt(WIDTH)} {_pt(HEIGHT)}] /Contents 4 0 R"
    fonts = "/Resources << /Font << /P 5 0 R /B 6 0 R >> >> >>"
    font = "<< /Type /Font /Subtype /Type1 /BaseFont /{} /Encoding /WinAnsiEncoding >>"
    objects = (
        "<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        "<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        f"{page} {fonts}",
        f"<< /Length {len(content)} >>\nstream\n{content}\nendstream",
        font.format("Helvetica"),
        font.format("Helvetica-Bold"),
        f"<< /Title ({_encoded(says)}) >>",
    )
    return _file(objects)


def _file(objects: Sequence[str]) -> str:
    """Return objects as a file with its cross-reference table: entries of 20 bytes (ISO 32000, 7.5.4)."""
    text, starts = "%PDF-1.4\n", []
    for count, body in enumerate(objects, start=1):
        starts.append(len(text))
        text += f"{count} 0 obj\n{body}\nendobj\n"
    table = "".join(f"{start:010d} 00000 n \n" for start in starts)
    size = len(objects) + 1
    trailer = f"trailer\n<< /Size {size} /Root 1 0 R /Info {len(objects)} 0 R >>\nstartxref\n{len(text)}\n%%EOF\n"
    return f"{text}xref\n0 {size}\n0000000000 65535 f \n{table}{trailer}"


def _drawn(mark: Bar | Words) -> str:
    if isinstance(mark, Bar):
        y = HEIGHT - mark.y - mark.height
        return f"0 g {_pt(mark.x)} {_pt(y)} {_pt(mark.width)} {_pt(mark.height)} re f"
    shown = _in_font(mark.text)
    x = mark.x - (width(shown, mark.size, bold=mark.bold) if mark.right else 0.0)
    font, grey = "B" if mark.bold else "P", "1" if mark.white else "0"
    return f"BT {grey} g /{font} {_pt(mark.size)} Tf {_pt(x)} {_pt(HEIGHT - mark.y)} Td ({_encoded(shown)}) Tj ET"


def _in_font(text: str) -> str:
    """Return text with what the fonts' encoding does not hold shown as "?"."""
    return printable(text).encode("cp1252", "replace").decode("cp1252")


def _encoded(text: str) -> str:
    """Return the inside of a PDF string (ISO 32000, 7.3.4.2): brackets and backslash escaped, all beyond ASCII as octal."""
    data = _in_font(text).encode("cp1252")
    return "".join(f"\\{byte:03o}" if byte < 32 or byte > 126 or byte in b"()\\" else chr(byte) for byte in data)


def _pt(millimetres: float) -> str:
    return number(millimetres * POINTS_PER_MM)
