"""The bench page's text and pictures. The source stands beside each check."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from harness import files
from harness.operators.page_state import view
from harness.records import HookUp, Join, Sweep
from harness.records.hookup import UNIT_PORTS
from harness.sheets.bench_curve import sweep_curve
from harness.sheets.bench_page import PARTS, Seen, bench_page, bench_parts
from harness.sheets.hookup_drawing import UnitEnds, hookup_drawing
from harness.steps import Connect
from sequences import hookups
from tests.page_views import ENDS, HOSTILE, HZ, connects, coupled_sweep, states

SVG = "{http://www.w3.org/2000/svg}"
PORTS = {"analyser 1", "analyser 2"}


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314  our own text


def page(state: str, *, answers: bool = True, unit: str = "CL-0007", words: str = "") -> str:
    return bench_page(view(states(unit, words)[state]), Seen(answers, ENDS), seal="seal")


def kinds(root: ET.Element, tag: str) -> list[list[str]]:
    return [str(element.get("class")).split() for element in root.iter(f"{SVG}{tag}")]


def texts(root: ET.Element) -> list[str]:
    return ["".join(element.itertext()) for element in root.iter(f"{SVG}text")]


# --- the page ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("answers", [True, False])
@pytest.mark.parametrize("state", states())
def test_the_page_is_well_formed_and_asks_for_nothing_from_outside(state: str, answers: bool) -> None:
    # XML 1.0 well-formedness by the standard library's parser; HTML requires every id to be unique in the document.
    root = parsed(page(state, answers=answers))
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert set(PARTS) <= set(ids)
    loaded = [element.get("src") or element.get("href") for element in root.iter() if element.get("src") or element.get("href")]
    assert loaded == ["data:,", "bench.css", "bench.js"]
    assert not [name for element in root.iter() for name in element.attrib if name == "style" or name.startswith("on")]


def test_css_and_script_load_nothing_and_run_no_text() -> None:
    css, script = (files.read_data_text(f"templates/bench.{kind}") for kind in ("css", "js"))
    assert "url(" not in css
    assert "@import" not in css
    for never in ("eval", "Function(", "import(", "http:", "https:", "document.write", "localStorage"):
        assert never not in script


@pytest.mark.parametrize("state", states())
def test_hostile_names_and_words_stay_text(state: str) -> None:
    text = page(state, unit=HOSTILE, words=HOSTILE)
    root = parsed(text)
    scripts = [element for element in root.iter() if element.tag.endswith("}script")]
    assert [script.get("src") for script in scripts] == ["bench.js"]
    assert not [element for element in root.iter() if element.tag.split("}")[-1] == "img"]
    assert '<script>alert("x")</script>' in " ".join(root.itertext())
    assert "\x00" not in text
    assert "\x1b" not in text


def test_hostile_hook_ups_and_sweeps_stay_text() -> None:
    hookup = HookUp(
        HOSTILE, (Join("analyser 1", HOSTILE), Join("load A", "line in"), Join("analyser 1", "analyser 2", through=HOSTILE))
    )
    ends = UnitEnds({"line in": HOSTILE}, {"line in": HOSTILE})
    for svg in (hookup_drawing(hookup, None, ends), sweep_curve(Sweep(HOSTILE, HZ, {HOSTILE: np.ones(HZ.size) + 0j}, 1))):
        assert not [element for element in parsed(svg).iter() if element.tag.split("}")[-1] in ("script", "b", "img")]


def test_the_parts_are_those_of_the_page() -> None:
    shown, seen = view(states()["doubt"]), Seen(True, ENDS)
    whole = bench_page(shown, seen, seal="seal")
    for part in bench_parts(shown, seen).values():
        assert part in whole


def test_a_page_that_watches_has_no_answers_and_says_so() -> None:
    shown = page("connect", answers=False)
    assert "data-answer" not in shown
    assert "This page only watches" in shown
    assert "data-take" in shown
    assert "data-take" not in page("connect")
    assert "data-take" not in page("result", answers=False)


# --- the hook-up --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("step", "before"), connects(), ids=lambda one: getattr(one, "id", None) or "")
def test_every_hook_up_of_every_sequence_is_drawn_whole(step: Connect, before: HookUp | None) -> None:
    hookup = step.hookup
    again = before is None or before.joins == hookup.joins
    new = [count for count, join in enumerate(hookup.joins, start=1) if again or join not in (before.joins if before else ())]
    root = parsed(hookup_drawing(hookup, before, ENDS))
    cables = sum(2 if join.through else 1 for join in hookup.joins)
    assert len([kind for kind in kinds(root, "path") if kind == ["halo"]]) == cables
    shown = texts(root)
    for join in hookup.joins:
        for end in (join.one, join.other, join.through):
            if end is not None and end not in PORTS:
                assert end in shown
    # What is to be made now carries its number beside being heavy; what stays is dashed (WCAG 2.1, 1.4.1: not by colour alone).
    tags = [text for text, kind in zip(shown, kinds(root, "text"), strict=True) if "tagged" in kind]
    assert sorted(tags) == [str(count) for count in new]
    assert len([kind for kind in kinds(root, "circle") if kind == ["tag"]]) == len(new)
    stays = [join for count, join in enumerate(hookup.joins, start=1) if count not in new]
    assert len([kind for kind in kinds(root, "path") if "stays" in kind]) == len(stays)
    title = "".join(root.find(f"{SVG}title").itertext())  # type: ignore[union-attr]
    assert title.count("to be made now") == len(new)
    used = {end for join in hookup.joins for end in (join.one, join.other)}
    assert shown.count("free") == len(PORTS - used)


def test_what_stays_is_dashed_and_what_is_new_is_heavy() -> None:
    css = files.read_data_text("templates/bench.css")
    assert re.search(r"\.drawing \.stays \{[^}]*stroke-dasharray: [\d.]+ [\d.]+", css)
    heavy, thin = (float(re.findall(rf"\.drawing \.{kind} {{[^}}]*stroke-width: ([\d.]+)", css)[0]) for kind in ("now", "stays"))
    assert heavy >= 3 * thin


def test_adapters_stand_where_connectors_differ() -> None:
    shown = texts(parsed(hookup_drawing(hookups.LINE, None, ENDS)))
    assert shown.count("adapter") == 2
    assert shown.count("UHF") == 2
    every = UnitEnds(dict.fromkeys(UNIT_PORTS, "UHF"), dict.fromkeys(UNIT_PORTS, "BNC to UHF"))
    assert texts(parsed(hookup_drawing(hookups.SAMPLE_PORT, None, every))).count("adapter") == 3
    assert "adapter" not in texts(parsed(hookup_drawing(hookups.LINE, None, UnitEnds())))


def test_a_hook_up_that_stands_is_not_marked() -> None:
    root = parsed(hookup_drawing(hookups.LINE, hookups.COUPLED, ENDS, made=True))
    assert "tag" not in str(kinds(root, "circle"))
    assert "now" not in str(kinds(root, "path"))


# --- the sweep ----------------------------------------------------------------------------------------------------------------


def points(root: ET.Element, kind: str) -> np.ndarray:
    (path,) = [one for one in root.iter(f"{SVG}path") if kind in str(one.get("class")).split()]
    return np.array([float(word) for word in re.findall(r"-?[\d.]+", str(path.get("d")))]).reshape(-1, 2)


def axis(root: ET.Element, anchor: str) -> list[tuple[float, float, float]]:
    """(x, y, number) of the tick labels: of the levels ("end") or of the frequencies ("middle")."""
    found = [one for one in root.iter(f"{SVG}text") if one.get("text-anchor") == anchor]
    return [
        (float(str(one.get("x"))), float(str(one.get("y"))), float(str(one.text).replace("−", "-")))
        for one in found
        if re.fullmatch(r"−?[\d.]+", str(one.text))
    ]


def test_the_curve_is_where_its_axes_say() -> None:
    # 20·log10 of the magnitude (IEC 60027-3): S21 was made −30 dB throughout, S11 −40 dB to −20 dB in proportion to log f.
    root = parsed(sweep_curve(coupled_sweep()))
    levels, ticks = axis(root, "end"), axis(root, "middle")
    y = [y - 1.3 for _, y, _ in levels]
    to_db = np.polynomial.Polynomial.fit(y, [db for *_, db in levels], 1)
    to_log = np.polynomial.Polynomial.fit([x for x, *_ in ticks], np.log10([mhz for *_, mhz in ticks]), 1)
    assert [mhz for *_, mhz in ticks] == [1, 2, 5, 10, 20, 50, 100]
    flat, rising = points(root, "curve-2"), points(root, "curve-1")
    assert to_db(flat[:, 1]) == pytest.approx(-30, abs=0.02)
    assert to_db(rising[[0, -1], 1]) == pytest.approx([-40, -20], abs=0.02)
    assert to_log(rising[:, 0]) == pytest.approx(np.log10(HZ / 1e6), abs=0.005)
    assert to_db(rising[:, 1]) == pytest.approx(-40 + 10 * np.log10(HZ / 1e6), abs=0.03)
    assert {"dB", "frequency, MHz", "S11", "S21"} <= set(texts(root))


def test_a_spike_of_one_point_is_seen() -> None:
    trace = np.full(5001, 0.1 + 0j)
    trace[1234] = 1.0
    root = parsed(sweep_curve(Sweep("x", np.linspace(1e6, 1e8, 5001), {"s11": trace}, 1)))
    drawn = points(root, "curve-1")
    assert len(drawn) <= 402
    assert drawn[:, 1].min() == pytest.approx(min(y - 1.3 for _, y, _ in axis(root, "end")), abs=0.01)


@pytest.mark.parametrize(
    "trace",
    [
        np.zeros(11) + 0j,
        np.ones(11) + 0j,
        np.full(11, np.nan + 0j),
        np.full(11, np.inf + 0j),
        np.r_[np.zeros(5), np.ones(6)] + 0j,
    ],
)
@pytest.mark.parametrize("hz", [np.linspace(1e6, 2e6, 11), np.linspace(0, 1e6, 11), np.geomspace(1e3, 1e9, 11)])
def test_odd_sweeps_are_drawn_inside_the_picture(trace: np.ndarray, hz: np.ndarray) -> None:
    root = parsed(sweep_curve(Sweep("x", hz, {"s11": trace, "s21": trace}, 2)))
    drawn = points(root, "curve-1")
    assert np.isfinite(drawn).all()
    assert drawn[:, 0].min() >= 12
    assert drawn[:, 0].max() <= 90
    assert drawn[:, 1].min() >= 7
    assert drawn[:, 1].max() <= 41
    assert len(axis(root, "middle")) >= 2


# --- colours ------------------------------------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance by WCAG 2.1."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("theme", [0, 1])
def test_text_stands_out_on_a_light_and_on_a_dark_screen(theme: int) -> None:
    # WCAG 2.1, 1.4.3: at least 4.5 : 1; the curves carry their names in their colours, so they are text too.
    css = files.read_data_text("templates/bench.css")
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", re.findall(r":root \{(.*?)\}", css, re.DOTALL)[theme]))

    def contrast(one: str, other: str) -> float:
        light, dark = sorted((luminance(colours[one]), luminance(colours[other])), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    for name in ("ink", "quiet", "accent", "series-1", "series-2", "series-3", "series-4"):
        assert contrast(name, "paper") >= 4.5, name
    assert contrast("ink", "soft") >= 4.5
