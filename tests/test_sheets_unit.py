"""The unit sheet: what stands on it, on one A4 page, on any screen. The source stands beside each check."""

from __future__ import annotations

import math
import re
import time
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

from harness.records import FaultEntry, Proof
from harness.records.figure import CouplingAt
from harness.records.figure_text import bound_text, coupling_text, tolerance_text, value_text
from harness.sampler.design import of_type, shipped_parts
from harness.sheets.chart import FrequencyChart, worst_points
from harness.sheets.qr import QUIET, qr_code, unit_text
from harness.sheets.unit import unit_sheet
from harness.sheets.where_to_look import PLACES, places_of, where_to_look
from tests.sheet_pages import check_page
from tests.sheet_records import (
    HEAVY,
    HOSTILE,
    OTHER,
    bands,
    drift,
    failed_proof,
    hostile_proof,
    sweeps,
    type_of,
    unit_proof,
    wordy_proof,
)
from tests.test_sheets_build import parsed, words_of


def undecided_proof() -> Proof:
    proof = unit_proof(decision="undecided", probability=0.61)
    figure = proof.figures["coupling_db"].model_copy(update={"decision": "undecided", "decides": "a two-path correction"})
    return proof.model_copy(update={"figures": {**proof.figures, "coupling_db": figure}})


PROOFS: dict[str, Callable[[], Proof]] = {
    "good": unit_proof,
    "failed": failed_proof,
    "undecided": undecided_proof,
    "hostile": hostile_proof,
    "wordy": wordy_proof,
    "drifted": lambda: unit_proof(drift=drift().model_dump()),
    "three sweeps": lambda: unit_proof(bench=None, calibration=None),
    "internal": lambda: unit_proof(type=type_of(termination="internal", internal_ohm=50.0)),
}


@cache
def page(kind: str, points: int = 201) -> str:
    far = kind != "three sweeps"
    return unit_sheet(PROOFS[kind](), sweeps(points, far=far), bands=bands(), parts=shipped_parts())


@pytest.mark.parametrize("kind", PROOFS)
def test_the_page_is_sound(kind: str) -> None:
    check_page(page(kind))
    assert len(page(kind).encode()) < 400_000


def test_the_decision_stands_first_in_words() -> None:
    for kind, words in (
        ("good", "CL-0007 ✓ conforms to hf30 Every figure meets its tolerance from 1.8 MHz to 54 MHz."),
        (
            "failed",
            "CL-0004 ✗ does not conform to hf30 Coupling (nominal): 36.10 dB (95 %: 35.99 to 36.21 dB); 29 to 31 dB allowed.",
        ),
        (
            "undecided",
            "CL-0007 ? undecided Coupling (nominal): 30.10 dB (95 %: 29.99 to 30.21 dB); 29 to 31 dB allowed. It would be",
        ),
    ):
        text = words_of(page(kind))
        assert words in text, text[text.index("CL-0") : text.index("CL-0") + 300]
    assert "probability 0.93" in words_of(page("failed"))
    assert "Drifted since the reference proof of 2023-05-04: Coupling fell by 0.2 dB." in words_of(page("drifted"))


def test_a_withdrawn_proof_says_so() -> None:
    text = words_of(unit_sheet(unit_proof(), sweeps(), bands=bands(), parts=shipped_parts(), withdrawn="load forgotten"))
    assert "This proof was withdrawn and does not count: load forgotten" in text


def test_the_cautions_carry_this_types_numbers() -> None:
    text, found = words_of(page("good")), of_type(unit_proof().type, shipped_parts(), draws=0)
    assert f"{found.unloaded.volts:.0f} V r.m.s." in text
    # Peak line voltage sqrt(2·P·Z0·SWR): 1500 W at 1.5 → 474.3 V. Power from current alone: ±10·log10(SWR), 1.76 dB at 1.5.
    assert "474 V peak" in text
    assert f"± {10 * math.log10(1.5):.2f} dB" in text
    for words in (
        "Reads line current; not directional",
        "A small-signal proof does not prove power",
        "Local rules come before this page",
    ):
        assert words in text
    rows = [one for one in parsed(page("good")).iter() if one.get("class") == "heat"]
    assert len(rows) == 1


def test_parts_that_no_table_knows_leave_cautions_without_figures() -> None:
    text = words_of(unit_sheet(unit_proof(type=type_of(core="XX-1")), sweeps(), bands=bands(), parts=shipped_parts()))
    assert "No figures for this type" in text
    assert "Never transmit with nothing on the sample port" in text


def test_figures_keep_two_digits_of_their_uncertainty_and_bounds_claim_less() -> None:
    # GUM 7.2.6: two significant digits of the uncertainty are enough; a bound is rounded to the side that claims less.
    figure = unit_proof().figures["return_loss_db"]
    assert (value_text("return_loss_db", figure), bound_text("return_loss_db", figure)) == ("33.4 dB", "at least 31.0 dB")
    assert tolerance_text("return_loss_db", figure) == "at least 25 dB"
    assert coupling_text(unit_proof().coupling_at[0]) == ("30.10", "0.11")  # half: 0.104
    at = CouplingAt(hz=7.1e6, db=30.1, low=30.1 - 0.0991, high=30.1 + 0.0991)
    assert coupling_text(at) == ("30.10", "0.10")  # not 0.100: two digits of the uncertainty (GUM 7.2.6)


def test_the_chart_stands_where_its_axes_say() -> None:
    # Log frequency: a decade is the same length everywhere, so 3.1623 = √10 stands midway.
    chart = FrequencyChart("c", "c", "dB", hz=(1e6, 1e8), values=(0, 10))
    assert chart.x(1e7) - chart.x(1e6) == pytest.approx(chart.x(1e8) - chart.x(1e7))
    assert chart.x(math.sqrt(10) * 1e6) == pytest.approx((chart.x(1e6) + chart.x(1e7)) / 2)
    assert chart.y(5) == pytest.approx((chart.y(0) + chart.y(10)) / 2)


def test_what_the_readout_reads_is_what_was_drawn() -> None:
    svg = next(one for one in parsed(page("good")).iter() if one.get("aria-labelledby") == "coupling-title")
    left, top, right, bottom = map(float, (svg.get("data-field") or "").split())
    low, high, least, most = map(float, (svg.get("data-scale") or "").split())
    curve = next(one for one in svg.iter() if one.get("class") == "curve c1")
    points = np.array([[float(n) for n in pair.split()] for pair in (curve.get("d") or "")[1:].split(" L")])
    hz = low * (high / low) ** ((points[:, 0] - left) / (right - left))
    db = least + (bottom - points[:, 1]) / (bottom - top) * (most - least)
    table = unit_proof().coupling_table
    assert table is not None
    assert db == pytest.approx(np.interp(hz, table.hz, table.db), abs=2e-3)


def test_1601_points_keep_the_worst_one() -> None:
    hz = np.linspace(1e6, 1e8, 1601)
    loss = np.full(1601, 40.0)
    loss[1237] = 21.5
    thin_hz, thin = worst_points(hz, loss, low_is_worst=True)
    assert thin.size <= 201
    assert np.all(np.diff(thin_hz) > 0)
    assert thin.min() == 21.5
    assert thin_hz[thin.argmin()] == hz[1237]
    assert len(page("good", 1601).encode()) < 400_000


def test_it_is_made_in_a_moment_and_without_the_plot_library() -> None:
    began = time.process_time()
    unit_sheet(unit_proof(), sweeps(1601), bands=bands(), parts=shipped_parts())
    assert time.process_time() - began < 1.5


def test_the_same_record_gives_the_same_bytes() -> None:
    again = unit_sheet(failed_proof(), sweeps(), bands=bands(), parts=shipped_parts())
    assert again == page("failed")
    reread = Proof.model_validate_json(failed_proof().model_dump_json())
    assert unit_sheet(reread, sweeps(), bands=bands(), parts=shipped_parts()) == again


def test_without_sweeps_and_tables_the_page_says_what_is_missing() -> None:
    bare = unit_proof(coupling_table=None, coupling_at=(), budget={}, how={}, checks=(), uncertainty=None, probability=None)
    text = unit_sheet(bare, {}, bands=bands(), parts=shipped_parts())
    check_page(text)
    assert "the sweeps are kept elsewhere" in words_of(text)
    assert "The record holds no coupling over frequency." in words_of(text)


def test_the_line_out_is_drawn_only_where_it_was_measured() -> None:
    assert 'data-name="line out"' in page("good")
    assert 'data-name="line out"' not in page("three sweeps")


# --- the code --------------------------------------------------------------------------------------------------------------


def test_the_code_holds_unit_and_coupling_table() -> None:
    lines = unit_text(unit_proof()).splitlines()
    assert lines[0] == "CL-0007 hf30 2024-05-04 conforms"
    assert lines[2] == "1.905 30.10 0.11"
    assert len(lines) == 2 + len(unit_proof().coupling_at)


def test_the_drawn_modules_are_those_of_the_code() -> None:
    # ISO/IEC 18004: a quiet zone of four modules, and three finder patterns of seven.
    import segno

    text = unit_text(unit_proof())
    rows = [list(row) for row in segno.make_qr(text, error="m", encoding="utf-8", boost_error=False).matrix]
    svg = str(qr_code(text, "q", "code"))
    drawn = np.zeros((len(rows) + 2 * QUIET,) * 2, dtype=int)
    for x, y, run in re.findall(r"M(\d+) (\d+)h(\d+)v1h-\d+z", svg):
        drawn[int(y), int(x) : int(x) + int(run)] = 1
    assert QUIET == 4
    assert not drawn[:4].any()
    assert not drawn[:, :4].any()
    assert (drawn[4:-4, 4:-4] == np.array(rows)).all()
    finder = np.pad(np.pad(np.ones((3, 3), int), 1), 1, constant_values=1)
    assert (drawn[4:11, 4:11] == finder).all()
    assert (drawn[4:11, -11:-4] == finder).all()
    assert (drawn[-11:-4, 4:11] == finder).all()


# --- where to look -----------------------------------------------------------------------------------------------------------


def test_every_fault_but_the_unexplained_has_a_place() -> None:
    # The list of faults: words-and-commands, "Fault names".
    names = (
        "turns", "double termination", "termination missing", "braid grounded at both ends", "braid grounded at neither end",
        "wrong core", "cracked core", "open winding", "shorted turns", "high-resistance joint", "resistor out of value",
        "line mismatch",
    )  # fmt: skip
    assert set(names) == set(PLACES)
    assert where_to_look((HEAVY.model_copy(update={"fault": "unexplained"}),), unit_proof().type) is None


def test_a_place_that_the_fault_names_is_the_only_one_marked() -> None:
    joint = FaultEntry(fault="high-resistance joint", weight=0.9, says="x", try_="y", where="line out")
    assert len(places_of(joint)) == 1
    assert len(places_of(joint.model_copy(update={"where": None}))) > 1
    drawn = where_to_look((HEAVY, OTHER, joint), unit_proof().type)
    assert drawn is not None
    assert str(drawn).count('class="spot"') == 2 + 1 + 1


def test_hostile_names_stay_text() -> None:
    root = check_page(page("hostile"))
    assert HOSTILE.replace("\x00", "�").replace("\x1b", "�") in "".join(root.itertext())
