"""The label for the box: its size, its words, and that they fit. The source stands beside each check."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import matplotlib as mpl
import pytest

from harness.errors import UsageError
from harness.records import Proof
from harness.sampler.design import of_type, shipped_parts
from harness.sheets.helvetica import BOLD, PLAIN, fitting, width
from harness.sheets.label import EDGE, HEIGHT, WIDTH, Bar, Words, label_marks, label_pdf, label_svg
from tests.sheet_records import HOSTILE, failed_proof, type_of, unit_proof
from tests.test_sheets_build import parsed, poppler

LONG = "A" * 20 + " (x) " + "m" * 39
UNITS = ("CL-0007", LONG, "W" * 64, HOSTILE, "Ω 中 é")


def marks(unit: str = "CL-0007", proof: Proof | None = None) -> tuple[Bar | Words, ...]:
    return label_marks((proof or unit_proof()).model_copy(update={"unit": unit}), shipped_parts())


def words_on(made: tuple[Bar | Words, ...]) -> str:
    return " | ".join(mark.text for mark in made if isinstance(mark, Words))


def afm_widths(file: str) -> dict[str, int]:
    """Widths by glyph name in the font metrics (AFM) of the PDF base fonts, which the plot library carries."""
    text = (Path(mpl.get_data_path()) / "fonts" / "pdfcorefonts" / file).read_text("latin-1")
    return {name: int(wide) for wide, name in re.findall(r"^C -?\d+ ; WX (\d+) ; N (\w+)", text, re.MULTILINE)}


@pytest.mark.parametrize(("file", "table"), [("Helvetica.afm", PLAIN), ("Helvetica-Bold.afm", BOLD)])
def test_widths_are_those_of_the_fonts_metrics(file: str, table: tuple[int, ...]) -> None:
    found = afm_widths(file)
    names = {"0": "zero", "9": "nine", " ": "space", "(": "parenleft", "-": "hyphen", "'": "quotesingle", "`": "grave", "@": "at"}
    letters = [chr(code) for code in (*range(65, 91), *range(97, 123))]
    for letter, name in [*names.items(), *((one, one) for one in letters)]:
        assert table[ord(letter) - 32] == found[name], letter
    assert width("±", 1000, bold=True) == found["plusminus"]
    assert len(table) == 95


def test_the_label_says_what_the_box_must_say() -> None:
    said, volts = words_on(marks()), of_type(unit_proof().type, shipped_parts(), draws=0).unloaded.volts
    for words in ("CL-0007", "30.10 ± 0.11 dB", "coupling", "1.8 MHz to 54 MHz", "1500 W", "SWR 1.5", "LOAD THE SAMPLE PORT"):
        assert words in said
    assert "not directional" in said
    assert volts > 1000
    assert f"up to {volts / 1000:.2g} kV" in said


def test_an_internally_terminated_type_tells_its_own_volts() -> None:
    inside = unit_proof(type=type_of(termination="internal", internal_ohm=50.0))
    volts = of_type(inside.type, shipped_parts(), draws=0).unloaded.volts
    assert volts < 50
    assert f"up to {volts:.2g} V" in words_on(marks(proof=inside))


def test_parts_that_no_table_knows_leave_the_caution() -> None:
    said = words_on(marks(proof=unit_proof(type=type_of(core="XX-1"))))
    assert "LOAD THE SAMPLE PORT" in said
    assert "dangerous voltage" in said


def test_a_unit_that_does_not_conform_gets_no_label() -> None:
    with pytest.raises(UsageError, match="does not conform to hf30"):
        label_marks(failed_proof(), shipped_parts())
    assert "UNDECIDED" in words_on(marks(proof=unit_proof(decision="undecided")))


@pytest.mark.parametrize("unit", UNITS)
def test_all_words_lie_on_the_label_and_none_on_another(unit: str) -> None:
    boxes = []
    for mark in marks(unit):
        if isinstance(mark, Words):
            wide = width(mark.text, mark.size, bold=mark.bold)
            left = mark.x - wide if mark.right else mark.x
            boxes.append((left, mark.y - 0.75 * mark.size, left + wide, mark.y + 0.22 * mark.size))
    assert min(box[0] for box in boxes) >= EDGE - 1e-6
    assert max(box[2] for box in boxes) <= WIDTH - EDGE + 0.05
    assert min(box[1] for box in boxes) >= 1
    assert max(box[3] for box in boxes) <= HEIGHT
    for at, one in enumerate(boxes):
        for other in boxes[at + 1 :]:
            across, down = min(one[2], other[2]) - max(one[0], other[0]), min(one[3], other[3]) - max(one[1], other[1])
            assert across <= 0 or down <= 0.05, unit


def test_a_word_is_made_smaller_until_it_fits() -> None:
    assert fitting("short", 5.0, 46.0) == 5.0
    small = fitting("m" * 64, 5.0, 46.0)
    assert 46.0 - 0.6 < width("m" * 64, small) <= 46.0


@pytest.mark.parametrize("unit", UNITS)
def test_the_svg_is_50_by_25_mm_and_well_formed(unit: str) -> None:
    root = parsed(label_svg(marks(unit), f"Label {unit}"))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("50mm", "25mm", "0 0 50 25")
    assert not [element for element in root.iter() if element.tag.split("}")[-1] in ("script", "image", "style")]


def test_the_same_record_gives_the_same_bytes() -> None:
    assert label_svg(marks(), "x") == label_svg(marks(), "x")
    text = label_pdf(marks(), "x")
    assert text == label_pdf(marks(), "x")
    assert text.isascii()
    assert "Date" not in text


@pytest.mark.needs_browser
@pytest.mark.parametrize("unit", UNITS)
def test_the_pdf_is_50_by_25_mm_and_reads_back(unit: str, tmp_path: Path) -> None:
    # Read with poppler, which complains of a wrong cross-reference table on standard error; one point is 1/72 inch.
    path = tmp_path / "label.pdf"
    path.write_text(label_pdf(marks(unit), f"Label {unit}"), "ascii", newline="\n")
    info = subprocess.run([poppler("pdfinfo"), str(path)], capture_output=True, text=True, check=True)
    assert info.stderr == ""
    size = re.search(r"Page size:\s+([\d.]+) x ([\d.]+) pts", info.stdout)
    assert size is not None
    assert [float(number) / 72 * 25.4 for number in size.groups()] == pytest.approx([50, 25], abs=0.01)
    words = subprocess.run([poppler("pdftotext"), "-layout", str(path), "-"], capture_output=True, text=True, check=True)
    assert words.stderr == ""
    assert "LOAD THE SAMPLE PORT (50 ohm)" in words.stdout
    assert "30.10 ± 0.11 dB" in words.stdout
