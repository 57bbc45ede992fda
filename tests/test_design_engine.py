"""The design engine as a whole: search, impossible wishes, yield, a built unit's values, parts of one's own, type and JSON."""

import json
import math
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import FileError, UsageError
from harness.records import parse_type
from harness.sampler import three_port
from harness.sampler.closed_form import ideal_coupling_db
from harness.sampler.design import (
    DesignWish,
    Fitted,
    Spread,
    Tolerances,
    design,
    of_type,
    parse_parts,
    search,
    shipped_parts,
    to_type,
)
from harness.sampler.design.candidates import arrangements, turns_for_load
from harness.sampler.design.fit import winding_fit
from harness.sampler.design.made import make
from harness.sampler.design.screen import screen
from harness.sampler.design.yields import drawn, figures

PARTS = shipped_parts()
WISH = DesignWish(coupling_db=30, band_hz=(1.8e6, 54e6), line_power=1500)
QUICK = replace(WISH, draws=0)
FOUND = search(WISH, PARTS)


def db(ratio):
    """Return −20·log10 of magnitudes."""
    return -20 * np.log10(np.abs(ratio))


# ---- search --------------------------------------------------------------------------------------------------------


def test_search_offers_the_trade_s_design_first():
    # Common practice, no source: 30 dB is 32 turns, a half-inch core of 43 does it.
    best = FOUND.designs[0].build
    assert (best.turns, best.core, best.stack, best.kind) == (32, "FT-50-43", 1, "bare winding")


def test_everything_offered_meets_the_wish_and_none_are_alike():
    assert len(FOUND.designs) == 5
    assert FOUND.impossible is None
    assert len({(found.build.kind, found.build.core) for found in FOUND.designs}) == 5
    assert len({found.build.kind for found in FOUND.designs}) > 1
    for found in FOUND.designs:
        assert found.feasible
        assert abs(found.coupling.into_50.nominal_db - 30) <= 1
        assert found.coupling.into_50.flatness_db <= 0.5
        assert found.line.return_loss_db >= 25
        assert found.line.insertion_loss_db <= 0.1
        assert found.winding.most_turns >= found.build.turns
        assert found.winding.hole >= found.winding.line_diameter
        assert found.stress.line_peak <= found.stress.connector_peak_rating
        assert all(flux.gauss <= flux.guideline_gauss for flux in found.stress.flux)
        assert found.predicted.share > 0.9


def test_search_says_why_others_failed():
    assert FOUND.tried > 300
    kinds = {failure.kind for failure in FOUND.failures}
    assert {"flux", "coupling", "low end", "winding fit"} <= kinds
    for failure in FOUND.failures:
        assert 0 < failure.count <= FOUND.tried
        assert any(character.isdigit() for character in failure.says)
    assert [failure.count for failure in FOUND.failures] == sorted((one.count for one in FOUND.failures), reverse=True)


def test_a_core_of_unknown_size_is_not_offered_unasked():
    assert not any("T-50-2" in one.build.core for one in screen(QUICK, PARTS) if not one.reasons)


@pytest.mark.parametrize("kind", ["bare winding", "winding and pad", "low-value load", "two windings"])
@pytest.mark.parametrize("termination", ["external", "internal"])
def test_each_arrangement_reaches_forty_decibels(kind, termination):
    wish = replace(QUICK, coupling_db=40, kind=kind, termination=termination, line_power=100)
    found = search(wish, PARTS, keep=1).designs[0]
    assert found.build.kind == kind
    assert found.coupling.into_50.nominal_db == pytest.approx(40, abs=1)


def test_stacked_cores_are_tried_and_named():
    found = design(replace(QUICK, coupling_db=20, line_power=200, core="FT-50-43", stack=3), PARTS)
    single = design(replace(QUICK, coupling_db=20, line_power=200, core="FT-50-43"), PARTS)
    assert found.build.title.startswith("10 turns on 3 stacked FT-50-43")
    # IEC 60205: A_L is proportional to the height.
    assert found.low_end.a_l == pytest.approx(3 * single.low_end.a_l, rel=1e-12)
    assert any(one.build.stack > 1 for one in screen(replace(QUICK, coupling_db=20), PARTS) if not one.reasons)


def test_ports_of_padded_designs_are_matched():
    for kind in ("winding and pad", "low-value load"):
        found = design(replace(QUICK, coupling_db=40, kind=kind, core="FT-50-43"), PARTS)
        assert found.sample.match_db > 15
    assert design(replace(QUICK, kind="bare winding", core="FT-50-43"), PARTS).sample.match_db < 3


@given(coupling=st.floats(6, 60), load=st.sampled_from([25.0, 50.0, 12.5]))
def test_turns_for_a_load_are_the_inverse_of_the_closed_form(coupling, load):
    turns = turns_for_load(coupling, load)
    if turns > 1:
        assert ideal_coupling_db(turns, load) == pytest.approx(coupling, abs=1e-9)


# ---- impossible wishes ---------------------------------------------------------------------------------------------


def test_line_that_does_not_pass():
    found = design(replace(QUICK, core="FT-50-43", line="RG-213"), PARTS)
    reason = next(one for one in found.reasons if one.kind == "line fit")
    # Cable 10.3 mm; hole of AWG 30 (0.295 mm) in a bore of 7.137 mm: 6.55 mm.
    assert (reason.value, reason.limit) == pytest.approx((10.3e-3, 7.1374e-3 - 2 * 0.295e-3), abs=1e-6)
    assert found.impossible.nearest
    for near in found.impossible.nearest:
        made = make(found.wish, near.build, PARTS)
        fit = winding_fit(made)
        assert fit.hole >= fit.line_diameter


def test_five_kilowatts_through_uhf_connectors():
    result = search(replace(QUICK, line_power=5000, line_swr=1.0), PARTS)
    assert result.designs == ()
    reason = next(one for one in result.impossible.reasons if one.kind == "line voltage")
    # sqrt(2·5000·50) = 707 V; 500 V is 2500 W matched.
    assert reason.value == pytest.approx(707.1, abs=0.1)
    assert reason.limit == 500
    assert "2500 W" in reason.says
    changed = [near.changed for near in result.impossible.nearest]
    assert any(said.startswith("N connectors") for said in changed)
    assert any("W at this SWR" in said for said in changed)


def test_unknown_parts_are_refused_by_name():
    for wrong, words in (
        ({"core": "FT-51-43"}, "FT-51-43"),
        ({"line": "RG-0"}, "RG-0"),
        ({"wire_awg": 21}, "AWG 21"),
        ({"line_connectors": "XYZ"}, "XYZ"),
    ):
        with pytest.raises(UsageError, match=words) as caught:
            design(replace(QUICK, **wrong), PARTS)
        assert caught.value.hint


@pytest.mark.parametrize(
    "wrong",
    [
        {"coupling_db": -3.0},
        {"coupling_db": math.nan},
        {"band_hz": (54e6, 1.8e6)},
        {"line_power": 0.0},
        {"line_swr": 0.9},
        {"turns": 0},
        {"stack": 9},
        {"termination": "both"},
        {"kind": "magic"},
        {"pad_db": 10.0, "shunt_ohm": 5.0},
        {"kind": "bare winding", "pad_db": 10.0},
        {"series_ohm": 45.0},
        {"draws": -1},
        {"internal_ohm": math.inf},
    ],
)
def test_no_wishes(wrong):
    with pytest.raises(UsageError):
        replace(WISH, **wrong)


@settings(max_examples=8)
@given(
    coupling=st.floats(3, 70),
    low=st.floats(1e5, 2e7),
    width=st.floats(1.05, 30),
    power=st.floats(0.1, 1e4),
    swr=st.floats(1, 5),
    core=st.sampled_from(["FT-37-43", "FT-240-43", "T-50-2"]),
    termination=st.sampled_from(["external", "internal"]),
    kind=st.sampled_from([None, "bare winding", "winding and pad", "low-value load", "two windings"]),
)
def test_any_wish_is_answered(coupling, low, width, power, swr, core, termination, kind):
    wish = DesignWish(
        coupling_db=coupling, band_hz=(low, low * width), line_power=power, line_swr=swr, core=core, termination=termination,
        kind=kind, draws=50,
    )  # fmt: skip
    found = design(wish, PARTS)
    assert found.feasible == (found.impossible is None)
    json.dumps(found.as_dict(), allow_nan=False)


def test_a_wish_that_no_turns_of_an_arrangement_reach_is_answered():
    wish = replace(QUICK, coupling_db=3, kind="two windings", core="FT-50-43")
    assert list(arrangements(wish))
    assert not design(wish, PARTS).feasible


# ---- yield ---------------------------------------------------------------------------------------------------------


def test_yield_s_units_against_the_full_model_on_a_fine_grid():
    made = make(QUICK, design(replace(QUICK, core="FT-50-43"), PARTS).build, PARTS)
    coarse, fine = np.geomspace(1.8e6, 54e6, 11), np.geomspace(1.8e6, 54e6, 101)
    unit, _slips = drawn(made, coarse, 25, 3, Spread())
    found = figures(unit, coarse)
    strays = made.first.stray_capacitance + made.first.braid_winding_capacitance
    nominal = made.unit(coarse).first.core_y[0]
    for row in range(25):
        circuit = replace(
            made.first,
            turns=float(unit.first.turns[row, 0]),
            core_factor=float(np.real(nominal / unit.first.core_y[row, 0])),
            winding_leakage=float(unit.first.leakage[row, 0]),
            winding_capacitance=max(float(unit.first.capacitance[row, 0]) - strays, 0.0),
        )
        matrix = three_port(circuit, fine)
        coupling = db(matrix[:, 2, 0])
        assert found["coupling"][row] == pytest.approx((coupling.max() + coupling.min()) / 2, abs=0.03)
        assert found["flatness"][row] == pytest.approx((coupling.max() - coupling.min()) / 2, abs=0.03)
        assert found["return loss"][row] == pytest.approx(db(matrix[:, 0, 0]).min(), abs=0.3)
        assert found["insertion loss"][row] == pytest.approx(db(matrix[:, 1, 0]).max(), abs=0.006)


def test_yield_is_the_same_each_time_and_changes_with_the_seed():
    wish = replace(WISH, core="FT-50-43", tolerances=Tolerances(coupling_error=0.15))
    first, again, other = (design(one, PARTS).predicted for one in (wish, wish, replace(wish, seed=2)))
    assert first == again
    assert other.coupling_db != first.coupling_db
    assert other.share == pytest.approx(first.share, abs=5 * math.sqrt(0.25 / 2000))  # binomial


def test_without_spread_every_unit_is_the_design():
    still = Spread(a_l=0.0, miscount=0.0, resistor=0.0, leakage=1.0, capacitance=1.0, winding=1.0)
    found = design(replace(WISH, core="FT-50-43", spread=still), PARTS)
    assert found.predicted.share == 1.0
    assert found.predicted.coupling_db[0] == pytest.approx(found.predicted.coupling_db[2], abs=1e-12)
    assert found.predicted.coupling_db[1] == pytest.approx(found.coupling.into_50.nominal_db, abs=0.03)


def test_a_tight_coupling_is_named_and_a_miscounted_turn_costs():
    # Lossless table: 31 to 32 turns are 0.275 dB apart, so a turn too few leaves ± 0.15 dB.
    wish = replace(WISH, core="FT-50-43", turns=32, kind="bare winding")
    tight = design(replace(wish, tolerances=Tolerances(coupling_error=0.15), spread=Spread(miscount=0.5)), PARTS).predicted
    assert tight.tight == "coupling"
    assert tight.each["coupling"] < tight.counted_right
    assert tight.each["return loss"] == 1.0
    low_band = design(replace(wish, band_hz=(0.02e6, 54e6)), PARTS).predicted
    assert low_band.tight in ("coupling", "flatness")
    assert low_band.share == 0.0


# ---- like a built unit ---------------------------------------------------------------------------------------------


def test_a_built_unit_s_values_replace_the_guesses():
    circuit = {"turns": 32, "a_l_nh": 500.0, "leakage_nh": 640.0, "winding_pf": 8.0, "resistor_ohm": None}
    like = Fitted.from_circuit(circuit, core="FT-50-43")
    found = design(replace(QUICK, core="FT-50-43", turns=16, kind="bare winding", like=like), PARTS)
    assert found.circuit.winding_leakage == pytest.approx(640e-9 / 4)
    assert found.circuit.winding_capacitance == pytest.approx(4e-12)
    assert found.low_end.a_l == pytest.approx(500e-9)
    assert not any("leakage and winding capacitance of usual size" in said for said in found.assumptions)
    other = design(replace(QUICK, core="FT-82-43", like=like), PARTS)
    assert other.low_end.a_l == pytest.approx(468.9e-9, rel=1e-3)  # IEC 60205, permeability 800


@pytest.mark.parametrize("wrong", [{}, {"turns": None}, {"turns": -1}, {"turns": 32, "leakage_nh": -3.0}])
def test_a_circuit_that_is_none_is_refused(wrong):
    with pytest.raises(UsageError):
        Fitted.from_circuit(wrong)


# ---- parts of one's own --------------------------------------------------------------------------------------------

OWN = """
[sources.caliper]
text = "measured with a caliper"
date = "2026-11-01"

[sources.recall]
text = "from memory"
date = "2026-11-01"
memory = true

[[core]]
name = "OWN-60"
outer_in = { value = 0.6, source = "caliper" }
inner_in = { value = 0.4, source = "caliper" }
height_in = { value = 0.3, source = "caliper" }
published_a_l_nh.43 = [{ value = 500, source = "caliper" }]

[[connector]]
name = "own plug"
peak_volt = { value = 900, source = "recall" }
"""


def test_own_parts_are_merged_and_their_memory_is_shown():
    parts = PARTS.merged(parse_parts(OWN, "own.toml"))
    found = design(replace(QUICK, core="OWN-60-43", line_connectors="own plug"), parts)
    assert found.feasible
    assert found.stress.connector_peak_rating == 900
    assert "own plug connectors: peak volts" in found.memory
    assert "OWN-60-43" in parts.core_names()
    assert "OWN-60-43" not in PARTS.core_names()
    changed = PARTS.merged(parse_parts(OWN.replace('"OWN-60"', '"FT-50"'), "own.toml"))
    assert changed.cores["FT-50"].geometry.height == pytest.approx(0.3 * 0.0254)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[core", "not TOML"),
        ("[[spanner]]\nname = 'x'", "spanner"),
        ("[[connector]]\nname = 'x'", "sources"),
        (OWN.replace('source = "recall"', 'source = "nowhere"'), "nowhere"),
        (OWN.replace("value = 900", "value = -1"), "peak_volt"),
        (OWN.replace("outer_in", "outer_mm"), "outer_mm"),
    ],
)
def test_a_parts_file_that_is_none(text, words):
    with pytest.raises(FileError, match=words) as caught:
        parse_parts(text, "own.toml")
    assert caught.value.file == "own.toml"


def test_shipped_parts_from_memory_are_marked():
    assert PARTS.connectors["UHF"].peak_volt.source.memory is False
    assert PARTS.connectors["UHF"].peak_volt.value == 500  # connector data: 500 V peak, typically to 100 MHz
    assert PARTS.connectors["UHF"].most_hz.value == 100e6
    assert all(PARTS.connectors[name].peak_volt.source.memory for name in ("N", "BNC", "SMA", "7/16"))
    assert PARTS.working_voltage("RG-58").value == 1400  # cable data, V r.m.s.
    assert PARTS.working_voltage("RG-213").value == 3700


# ---- what comes out ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(5))
def test_a_design_s_type_reads_back(number):
    found = FOUND.designs[number]
    made = to_type(found, "own30", recheck_months=12)
    text = tomlkit.dumps(made.model_dump(mode="json", exclude_none=True))
    assert parse_type(text, "own30.toml") == made
    assert (made.build.turns, made.build.core, made.build.line) == (found.build.turns, found.build.core, found.build.line)
    assert made.tolerance.coupling == 30
    assert made.band_hz == WISH.band_hz
    assert made.use.line_power == 1500


@pytest.mark.parametrize("kind", ["bare winding", "winding and pad", "low-value load", "two windings"])
def test_the_design_of_a_design_s_type_is_that_design(kind):
    found = design(replace(QUICK, coupling_db=40, line_power=100, kind=kind, core="FT-50-43"), PARTS)
    again = of_type(to_type(found, "again"), PARTS, draws=0)
    assert again.build == replace(found.build, pad_db=again.build.pad_db, pad=again.build.pad)
    assert again.coupling.into_50.nominal_db == pytest.approx(found.coupling.into_50.nominal_db, abs=0.05)
    assert again.stress.volts_per_turn == pytest.approx(found.stress.volts_per_turn, rel=0.02)


def test_the_shipped_type_is_a_feasible_design():
    text = files("harness.data").joinpath("types", "hf30.toml").read_text(encoding="utf-8")
    found = of_type(parse_type(text, "hf30.toml"), PARTS)
    assert found.feasible
    assert found.predicted.share > 0.99
    assert not found.unloaded.safe


def test_types_of_the_other_arrangements():
    cascaded = to_type(design(replace(QUICK, coupling_db=50, kind="two windings", core="FT-50-43"), PARTS), "deep")
    assert cascaded.build.second_turns * cascaded.build.turns == pytest.approx(316, rel=0.1)
    assert cascaded.build.second_core
    low = to_type(design(replace(QUICK, coupling_db=50, kind="low-value load", core="FT-50-43"), PARTS), "low")
    assert low.build.shunt_ohm + low.build.series_ohm == pytest.approx(50, rel=0.06)
    inside = to_type(design(replace(QUICK, termination="internal", core="FT-50-43"), PARTS), "inside")
    assert inside.build.internal_ohm == 50
    with pytest.raises(UsageError):
        to_type(FOUND.designs[0], "/../x")


def test_json_holds_everything():
    tree = json.loads(json.dumps(FOUND.as_dict(), allow_nan=False))
    first = tree["designs"][0]
    assert first["title"].startswith("32 turns on FT-50-43")
    assert first["feasible"] is True
    assert len(first["coupling"]["into_50"]["db"]) == len(first["frequencies_hz"])
    assert {"line", "low_end", "winding", "stress", "sample", "unloaded", "practice", "predicted", "cautions"} <= set(first)


def test_cautions_carry_their_figures():
    found = FOUND.designs[0]
    danger = found.cautions[0]
    assert danger.startswith("Never transmit with nothing on the sample port")
    assert f"{found.unloaded.volts:.0f} V r.m.s." in danger
    assert any(f"{found.sample.attenuator_db:g} dB" in said for said in found.cautions)
    hot = design(replace(QUICK, core="FT-37-43", line="RG-316"), PARTS)
    assert any("RG-316 is rated" in said for said in hot.cautions)
