"""The build sheet: what stands on it, to what scale, on how many pages. The source stands beside each check."""

from __future__ import annotations

import hashlib
import math
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness import files
from harness.analysis import Band, parse_bands
from harness.errors import FileError
from harness.sampler.closed_form import lossless
from harness.sampler.design import Build, Design, DesignWish, design, parse_parts, shipped_parts
from harness.sampler.design.made import make
from harness.sheets import CurveOf, build_sheet, frequency_plot, parse_cutouts
from harness.sheets.build_curves import coupling_parts, wide_grid
from harness.sheets.build_parts import gap_of
from harness.sheets.drilling import check_bar, hole_plan
from harness.sheets.ohmmeter import meter_checks, parallel, port_resistance, winding_resistances
from harness.sheets.plots import DASHES, SERIES
from tests.conftest import find_program

NAME = "{http://www.w3.org/2000/svg}"
HTML = "{http://www.w3.org/1999/xhtml}"
SHIPPED = parse_cutouts(files.read_data_text("cutouts.toml"))
KINDS: dict[str, dict[str, Any]] = {
    "bare": {"coupling_db": 30.0, "wire_awg": 24},
    "inside": {"coupling_db": 30.0, "termination": "internal"},
    "pad": {"coupling_db": 30.0, "kind": "winding and pad", "termination": "internal", "core": "FT-240-43"},
    "low": {"coupling_db": 50.0, "kind": "low-value load"},
    "two": {"coupling_db": 40.0, "kind": "two windings"},
}


@cache
def bands() -> tuple[Band, ...]:
    return parse_bands(files.read_data_text("bands.toml"), "bands.toml")


@cache
def designed(kind: str) -> Design:
    wish = {"band_hz": (1.8e6, 54e6), "line_power": 1500.0, "core": "FT-50-43", "line": "RG-303", "draws": 0, **KINDS[kind]}
    return design(DesignWish(**wish), shipped_parts())


@cache
def page(kind: str) -> str:
    return build_sheet(designed(kind), shipped_parts(), name="hf30", title="", bands=bands(), cutouts=SHIPPED)


def parsed(text: str) -> ET.Element:
    """The root of a page or a picture; fails where it is not well-formed."""
    return ET.fromstring(text)  # noqa: S314  our own text


def words_of(text: str) -> str:
    return " ".join(" ".join(parsed(text).itertext()).split())


def poppler(program: str) -> str:
    found = find_program(program)
    assert found is not None
    return str(found)


# --- the page ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_is_well_formed_and_its_ids_are_its_own(kind: str) -> None:
    # XML 1.0 well-formedness, by the standard library's parser; HTML requires every id to be unique in the document.
    root = parsed(page(kind))
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    labelled = {element.get("aria-labelledby") for element in root.iter() if element.get("aria-labelledby")}
    assert labelled <= set(ids)


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_asks_for_nothing_from_outside(kind: str) -> None:
    root = parsed(page(kind))
    assert not [element for element in root.iter() if element.tag.split("}")[-1] in ("script", "link", "img", "iframe", "object")]
    for element in root.iter():
        for name, value in element.attrib.items():
            if name.split("}")[-1] in ("href", "src", "action", "data", "poster"):
                assert value.startswith("#")
            assert not re.search(r"url\((?!#)", value)
    assert "@import" not in page(kind)
    assert re.findall(r"url\((?!#)", page(kind)) == []
    assert "default-src 'none'" in page(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_tells_dangers_first_and_with_numbers(kind: str) -> None:
    found, text = designed(kind), words_of(page(kind))
    caution = text.index("Caution")
    assert caution < text.index("Parts") < text.index("Drilling plan")
    assert f"{found.unloaded.volts:.0f} V r.m.s." in text
    # Peak line voltage sqrt(2·P·Z0·SWR): 1500 W at 1.5 → 474.3 V (the formula gives 500 V at 1.667 and 547.7 V at 2).
    assert "474 V peak" in text
    assert "Local rules come before this page" in text
    assert "Reads current; not directional" in text


def test_the_page_says_when_a_design_does_not_meet_its_wish() -> None:
    wish = DesignWish(coupling_db=30.0, band_hz=(1.8e6, 54e6), line_power=1500.0, core="T-50-2", stack=1, turns=32, draws=0)
    found = design(wish, shipped_parts())
    text = build_sheet(found, shipped_parts(), name="x", title="", bands=bands(), cutouts=SHIPPED)
    assert "This design does not meet its wish" in text
    assert "heat not known" in words_of(text)
    assert "This design does not meet its wish" not in page("bare")


HOSTILE = '</title><script>alert("x")</script>&<!-- ]]> {{ 7*7 }} \x00\x1b[31m'
OWN_PARTS = """
[sources.own]
text = "own"
date = "2026-01-01"
[[connector]]
name = '"><script>alert(1)</script>'
[[cable]]
name = "<img src=x onerror=y>&amp;"
impedance_ohm = { value = 50, source = "own" }
outer_mm = { value = 4, source = "own" }
velocity_factor = { value = 0.7, source = "own" }
"""


def test_hostile_names_stay_text() -> None:
    parts = shipped_parts().merged(parse_parts(OWN_PARTS, "own.toml"))
    connector, cable = next(iter(parse_parts(OWN_PARTS, "own.toml").connectors)), "<img src=x onerror=y>&amp;"
    wish = DesignWish(
        coupling_db=30.0, band_hz=(1.8e6, 54e6), line_power=100.0, core="FT-50-43", line=cable, line_connectors=connector, draws=0
    )  # fmt: skip
    text = build_sheet(design(wish, parts), parts, name=HOSTILE, title=HOSTILE, bands=bands(), cutouts=SHIPPED)
    root = parsed(text)
    assert not [element for element in root.iter() if element.tag.split("}")[-1] in ("script", "img")]
    assert not [name for element in root.iter() for name in element.attrib if name.startswith("on")]
    said = " ".join(root.itertext())
    assert '<script>alert("x")</script>' in said
    assert "{{ 7*7 }}" in said
    assert connector in said
    assert cable in said
    assert "\x00" not in text
    assert "\x1b" not in text


FRESH = """
import hashlib, sys
sys.path.insert(0, sys.argv[1])
from tests.test_sheets_build import page
sys.stdout.write(hashlib.sha256(page("pad").encode()).hexdigest())
"""


def test_the_same_design_gives_the_same_bytes_in_another_process() -> None:
    root = Path(__file__).resolve().parent.parent
    surroundings = {"PYTHONHASHSEED": "12345", "PATH": "/usr/bin:/bin", "TZ": "Asia/Tokyo"}
    command = [sys.executable, "-c", FRESH, str(root)]
    done = subprocess.run(command, cwd=root, env=surroundings, capture_output=True, text=True, check=True)
    assert done.stdout == hashlib.sha256(page("pad").encode()).hexdigest()


# --- drilling plan ---------------------------------------------------------------------------------------------------------


OWN_CUTOUTS = """
[sources.own]
text = "a connector on the bench, measured with calipers"
date = "2026-01-01"
[[cutout]]
name = "own"
style = "flange"
hole_mm = { value = 20, source = "own" }
pitch_mm = { value = 24, source = "own" }
screw_mm = { value = 4.5, source = "own" }
flange_mm = { value = 30, source = "own" }
[[cutout]]
name = "flat"
style = "bulkhead"
hole_mm = { value = 10, source = "own" }
flat_mm = { value = 9, source = "own" }
"""


def true_size(svg: str) -> ET.Element:
    """The picture, checked: one user unit is one millimetre."""
    root = parsed(svg)
    _, _, width, height = (float(number) for number in str(root.get("viewBox")).split())
    assert root.get("width") == f"{width:g}mm"
    assert root.get("height") == f"{height:g}mm"
    return root


def circles(root: ET.Element, kind: str) -> list[tuple[float, float, float]]:
    found = [element for element in root.iter(f"{NAME}circle") if kind in str(element.get("class")).split()]
    return [(float(str(one.get("cx"))), float(str(one.get("cy"))), 2 * float(str(one.get("r")))) for one in found]


def test_the_drilling_plan_has_the_size_of_the_connector() -> None:
    # The dimensions are those of the table that is handed in; one user unit is one millimetre by width, height and viewBox.
    root = true_size(hole_plan("own", parse_cutouts(OWN_CUTOUTS)["own"], "holes"))
    ((x, y, hole),) = circles(root, "hole")
    assert hole == 20
    screws = circles(root, "screw")
    assert {diameter for *_, diameter in screws} == {4.5}
    assert sorted((sx - x, sy - y) for sx, sy, _ in screws) == [(-12, -12), (-12, 12), (12, -12), (12, 12)]
    (flange,) = root.iter(f"{NAME}rect")
    assert (float(str(flange.get("width"))), float(str(flange.get("height")))) == (30, 30)


def test_a_hole_with_a_flat_leaves_what_the_table_says() -> None:
    root = true_size(hole_plan("flat", parse_cutouts(OWN_CUTOUTS)["flat"], "holes"))
    (path,) = [element for element in root.iter(f"{NAME}path") if "hole" in str(element.get("class"))]
    x1, y1, rx, ry, _, large, sweep, x2, y2 = (float(number) for number in re.findall(r"-?[\d.]+", str(path.get("d"))))
    assert (rx, ry, large, sweep) == (5, 5, 1, 1)
    centre = float(str(root.get("viewBox")).split()[2]) / 2
    assert y1 == y2
    assert y1 - centre + 5 == pytest.approx(9, abs=0.002)
    assert math.hypot(x1 - centre, y1 - centre) == pytest.approx(5, abs=0.002)
    assert math.hypot(x2 - centre, y2 - centre) == pytest.approx(5, abs=0.002)


def test_the_check_bar_is_fifty_millimetres() -> None:
    root = true_size(check_bar())
    marks = [line for line in root.iter(f"{NAME}line") if line.get("x1") == line.get("x2")]
    places = sorted(float(str(line.get("x1"))) for line in marks)
    assert places[-1] - places[0] == 50
    assert np.diff(places) == pytest.approx(10)


def test_the_shipped_holes_fit_what_is_known_of_the_connectors() -> None:
    # SMA: a hole of 6.5 mm that leaves 6.0 mm at the flat (panel cut-out in a cable supplier's article). UHF: the socket's thread
    # of 5/8 inch must pass (encyclopedia). Whatever came from memory says so on the page.
    sma = SHIPPED["SMA"]
    assert (sma.hole.value, sma.flat and sma.flat.value, sma.from_memory) == (6.5, 6.0, False)
    assert SHIPPED["UHF"].hole.value > 5 / 8 * 25.4
    assert SHIPPED["UHF"].from_memory
    assert words_of(page("bare")).count("From memory: measure your own connector first.") == 2


def test_a_connector_of_unknown_size_gets_an_empty_cross() -> None:
    root = true_size(hole_plan("7/16", None, "holes"))
    assert circles(root, "cut") == []
    wish = DesignWish(
        coupling_db=30.0, band_hz=(1.8e6, 54e6), line_power=1500.0, core="FT-50-43", line_connectors="7/16", draws=0
    )
    text = build_sheet(design(wish, shipped_parts()), shipped_parts(), name="x", title="", bands=(), cutouts=SHIPPED)
    assert "size not known: measure your connector" in words_of(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[sources", "is not TOML"),
        (OWN_CUTOUTS.replace("value = 20", "value = -1"), "cutout.0.hole_mm.value"),
        (OWN_CUTOUTS.replace('value = 20, source = "own"', 'value = 20, source = "nobody"'), "'nobody' is not described"),
        (OWN_CUTOUTS + "depth_mm = 3\n", "depth_mm"),
    ],
)
def test_a_table_of_holes_that_is_none_is_refused(text: str, said: str) -> None:
    with pytest.raises(FileError, match=re.escape(said)):
        parse_cutouts(text, "own.toml")


# --- winding, wiring, ohmmeter ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_the_pictures_of_the_windings_show_every_turn(kind: str) -> None:
    root = parsed(page(kind))
    drawn = [
        len([1 for line in svg.iter(f"{NAME}line") if "turn" in str(line.get("class")).split()])
        for svg in root.iter(f"{NAME}svg")
    ]
    build = designed(kind).build
    assert [count for count in drawn if count] == [build.turns] + ([build.second_turns] if build.second_turns else [])


def test_the_gap_between_the_ends_is_left_open_or_what_there_is() -> None:
    # One layer on FT-50: 36 turns of #24, 46 of #26 (computed from the bore); 36 turns leave nothing, 32 more than the usual 30°.
    parts, wish = shipped_parts(), designed("bare").wish
    assert gap_of(make(wish, designed("bare").build, parts), 0) == 30.0
    full = Build(**{**vars(designed("bare").build), "turns": 36})
    assert gap_of(make(wish, full, parts), 0) == 0.0


def test_the_braid_is_grounded_at_one_named_end() -> None:
    text = words_of(page("bare"))
    assert "Ground the braid at line in only." in text
    assert "At line out cut it back and insulate it" in text


def test_the_winding_is_a_few_hundredths_of_an_ohm() -> None:
    # Common practice, no source: 32 turns on a half-inch core, about 0.05 Ω.
    (value,) = winding_resistances(make(designed("bare").wish, designed("bare").build, shipped_parts()))
    assert 0.03 < value < 0.07


def test_resistors_are_measured_before_the_winding_shorts_them() -> None:
    # Textbook: R1·R2/(R1 + R2). A 50 Ω resistor inside reads 50 Ω ± 1 % alone, and next to nothing beside the winding.
    build = designed("inside").build
    checks = meter_checks(make(designed("inside").wish, build, shipped_parts()), "line in")
    (before,) = [check for check in checks if check.when == "winding not joined yet"]
    assert before.expect == "49.5 to 50.5 Ω"
    assert "shorts it" in before.else_
    order = [check.when for check in checks]
    assert order.index("winding not joined yet") < order.index("before the lid")
    (after,) = [check for check in checks if check.when == "before the lid" and check.between == "sample – box"]
    assert float(after.expect.removesuffix(" Ω")) < 0.1
    assert not [check for check in meter_checks(make(designed("bare").wish, designed("bare").build, shipped_parts()), "line in")
                if "joined" in check.when]  # fmt: skip


@pytest.mark.parametrize(
    ("winding", "expected"),
    [
        (None, 300 * (30 + 300 * 50 / 350) / (300 + 30 + 300 * 50 / 350)),
        (0.0, 300 * 30 / 330),
    ],
)
def test_a_pad_with_a_resistor_inside_reads_what_the_textbook_says(winding: float | None, expected: float) -> None:
    # By hand, R1·R2/(R1 + R2): port shunt 300 Ω beside 30 Ω in series with 300 Ω ∥ 50 Ω; with the winding joined 300 Ω ∥ 30 Ω.
    build = designed("pad").build
    pad = type(build.pad)("pi", 300.0, 30.0, 300.0) if build.pad else None
    changed = Build(**{**vars(build), "pad": pad, "internal_ohm": 50.0})
    assert port_resistance(changed, winding) == pytest.approx(expected)


def test_parallel_resistors() -> None:
    # Textbook: 50 Ω twice is 25 Ω; a short shorts.
    assert parallel(50.0, 50.0) == 25.0
    assert parallel(50.0, 0.0) == 0.0


# --- plots ---------------------------------------------------------------------------------------------------------------------


def test_the_parts_of_the_coupling_are_what_they_are_called() -> None:
    # Exact, lossless, 32 turns: 30.1072 dB at every frequency. Left in is the line's loss: 50 mm of RG-303, 0.0044 dB at 50 MHz.
    # First-order low end, f_L = 17.7 kHz for 440 nH: 0.007 dB at 450 kHz; the core's dispersion adds to it.
    made = make(designed("bare").wish, designed("bare").build, shipped_parts())
    grid = wide_grid(designed("bare").wish.band_hz)
    whole, alone, core, strays = coupling_parts(made, grid)
    exact = -20 * math.log10(lossless(32).s31)
    assert exact == pytest.approx(30.1072, abs=1e-4)
    assert alone.values == pytest.approx(30.1072, abs=0.007)
    assert 0.006 < core.values[0] - alone.values[0] < 0.03
    assert np.abs(strays.values[:40] - alone.values[:40]).max() < 0.02
    assert whole.values[-1] == pytest.approx(strays.values[-1], abs=0.03)


def test_plots_have_units_bands_and_the_tolerance() -> None:
    text = words_of(page("bare"))
    assert "coupling, dB" in text
    assert text.count("frequency, MHz") == 2
    assert "in series with the line, mΩ" in text
    assert "tolerance" in text
    for band in ("160 m", "80 m", "40 m", "20 m", "6 m"):
        assert band in text


def test_a_label_cannot_break_out_of_a_plot() -> None:
    hz = np.array([1e6, 1e7])
    svg = frequency_plot("p", HOSTILE, "y <b>, dB", [CurveOf("<script>x</script> & $a$", hz, hz / 1e6)])
    root = parsed(svg)
    assert not [element for element in root.iter() if element.tag.split("}")[-1] in ("script", "b")]


def test_curves_differ_by_more_than_colour() -> None:
    assert len({str(dash) for dash in DASHES}) == len(DASHES) == len(SERIES)


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.1."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("theme", [0, 1])
def test_text_and_curves_stand_out_on_a_light_and_on_a_dark_screen(theme: int) -> None:
    # WCAG 2.1: contrast at least 4.5 : 1 for text, 3 : 1 for graphics.
    css = files.read_data_text("templates/sheet.css")
    block = re.findall(r":root \{(.*?)\}", css, re.DOTALL)[theme]
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))

    def contrast(name: str) -> float:
        light, dark = sorted((luminance(colours[name]), luminance(colours["paper"])), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert min(contrast(name) for name in ("ink", "quiet", "accent")) >= 4.5
    assert min(contrast(f"series-{number}") for number in (1, 2, 3, 4)) >= 3
