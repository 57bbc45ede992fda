"""What any sampler must obey, and what each build fault must look like."""

from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.errors import DataError, UsageError
from harness.sampler import (
    ConstantMaterial,
    CoreGeometry,
    IdealCore,
    InductanceCore,
    LadderCore,
    LineSection,
    Mismatch,
    Pad,
    SamplerCircuit,
    ToroidCore,
    find_core,
    ideal_circuit,
    nominal_circuit,
    parse_cores,
    parse_materials,
    three_port,
    three_ports,
)
from harness.sampler.build import wire_resistance
from harness.sampler.closed_form import wire_diameter

BAND = np.geomspace(1.8e6, 54e6, 101)
WIDE = np.geomspace(1e6, 100e6, 41)
TABLES = [files("harness.data").joinpath(name).read_text(encoding="utf-8") for name in ("cores.toml", "materials.toml")]
CORES, MATERIALS = parse_cores(TABLES[0]), parse_materials(TABLES[1])
FT50_43 = find_core("FT-50-43", CORES, MATERIALS)
NOMINAL = nominal_circuit(turns=32, core=FT50_43, wire_awg=24)


def db(values):
    """Return −20·log10 of magnitudes."""
    return -20 * np.log10(np.abs(values))


def coupling(circuit, frequency=BAND):
    """Return coupling in dB, one value for each frequency."""
    return db(three_port(circuit, frequency)[:, 2, 0])


def open_sample(matrix):
    """Return the line's two-port with nothing on the sample port, and volts there for 1 W incident at line in."""
    with_open = matrix[:, :2, :2] + matrix[:, :2, 2:] @ matrix[:, 2:, :2] / (1 - matrix[:, 2:, 2:])
    volts = 2 * np.sqrt(50) * matrix[:, 2, 0] / (1 - matrix[:, 2, 2])
    return with_open, np.abs(volts)


# ---- a healthy unit -----------------------------------------------------------------------------------------------------


def test_nominal_unit_is_a_good_sampler():
    # Common practice, no source: 32 turns read about 30.1 dB, flat over the band, return loss better than 25 dB is good.
    matrix = three_port(NOMINAL, BAND)
    values = db(matrix[:, 2, 0])
    assert (values.max() + values.min()) / 2 == pytest.approx(30.1, abs=0.1)
    assert (values.max() - values.min()) / 2 < 0.25
    assert db(matrix[:, 0, 0]).min() > 30
    assert db(matrix[:, 1, 1]).min() > 30
    assert db(matrix[:, 1, 0]).max() < 0.05


def test_permeability_moves_the_coupling_of_32_turns_by_two_hundredths():
    # Stated for the values of the 2020 table: permeability moves the coupling of 32 turns by only 0.02 dB.
    values = coupling(ideal_circuit(32, core=FT50_43))
    assert values.max() - values.min() < 0.02


def test_internal_termination_reads_six_decibels_low():
    # The two loads are in parallel: a nominal 30 dB unit with a resistor inside reads 36 dB (common practice).
    inside = nominal_circuit(turns=32, core=FT50_43, termination="internal")
    assert inside.internal_resistor == 50.0
    assert inside == replace(NOMINAL, internal_resistor=50.0)
    assert coupling(inside, [7.1e6])[0] == pytest.approx(36.13, abs=0.02)
    # Seen from outside: 50 Ω inside is a match; without it the port is a current source, near total reflection.
    assert abs(three_port(inside, [7.1e6])[0, 2, 2]) < 0.05
    assert abs(three_port(NOMINAL, [7.1e6])[0, 2, 2]) > 0.9


def test_angle_of_the_sample_port_shows_the_core():
    # S33 of an ideal winding is N²·Z_c in parallel with N²·2Z0, by the ratio of turns.
    matrix = three_port(ideal_circuit(32, core=FT50_43), WIDE)
    impedance = 32**2 / (FT50_43.admittance(WIDE) + 1 / 100)
    np.testing.assert_allclose(matrix[:, 2, 2], (impedance - 50) / (impedance + 50), rtol=0, atol=1e-12)


def test_sample_load_removed():
    # Worked out with the 2020 table: 32 turns on FT-50-43, 7 MHz, 1500 W forward, no stray: 2.15 kV r.m.s. on the winding,
    # S21 −0.824 dB, return loss 18.23 dB.
    line, volts = open_sample(three_port(ideal_circuit(32, core=FT50_43), [7e6]))
    assert volts[0] * np.sqrt(1500) == pytest.approx(2150, abs=10)
    assert db(line[0, 1, 0]) == pytest.approx(0.824, abs=1e-3)
    assert db(line[0, 0, 0]) == pytest.approx(18.23, abs=0.01)


@pytest.mark.parametrize(("stray", "insertion", "match"), [(3e-12, 0.50, 20), (5e-12, 0.15, 25), (10e-12, 0.03, 32)])
def test_sample_load_removed_with_stray_capacitance(stray, insertion, match):
    # Same source: 3/5/10 pF at 7 MHz give S21 −0.50/−0.15/−0.03 dB and return loss 20/25/32 dB.
    circuit = replace(ideal_circuit(32, core=FT50_43), winding_capacitance=stray)
    line, _volts = open_sample(three_port(circuit, [7e6]))
    assert db(line[0, 1, 0]) == pytest.approx(insertion, abs=0.01)  # the first is given to the nearest 0.05 dB only
    assert db(line[0, 0, 0]) == pytest.approx(match, abs=0.51)


def test_line_loss_is_the_cable_s():
    # RG-303, 8.8 dB/100 m at 50 MHz: 50 mm are 0.0044 dB, as much as 32 turns insert (0.00424 dB exactly).
    lossy = LineSection(length=0.025, loss_db_per_m=0.088, loss_frequency=50e6)
    circuit = replace(ideal_circuit(32), line_before=lossy, line_after=lossy)
    assert db(three_port(circuit, [50e6])[0, 1, 0]) == pytest.approx(0.0044 + 0.00424, abs=5e-5)


# ---- faults -------------------------------------------------------------------------------------------------------------


def test_double_termination():
    assert coupling(replace(NOMINAL, internal_resistor=50.0), [7e6])[0] == pytest.approx(36.13, abs=0.02)


def test_termination_missing_in_an_internal_unit():
    inside = nominal_circuit(turns=32, core=FT50_43, termination="internal")
    assert coupling(replace(inside, internal_resistor=None), [7e6])[0] == pytest.approx(30.11, abs=0.05)


def test_braid_grounded_at_both_ends_collapses_coupling():
    # A shorted turn that carries the line current back through the core: 60 dB and worse.
    assert coupling(replace(NOMINAL, braid="both ends"), WIDE).min() > 60


def test_braid_grounded_at_neither_end_adds_an_even_part_that_rises():
    healthy, floating = three_ports([NOMINAL, replace(NOMINAL, braid="neither end")], [3e6, 30e6])
    even = np.abs(floating[:, 2, 0] + floating[:, 2, 1]) / 2
    assert even[1] / even[0] == pytest.approx(10, rel=0.1)
    assert (even > 3 * np.abs(healthy[:, 2, 0] + healthy[:, 2, 1]) / 2).all()
    odd = np.abs(floating[:, 2, 0] - floating[:, 2, 1]) / 2
    assert db(odd[0]) == pytest.approx(30.11, abs=0.05)


@pytest.mark.parametrize("braid", ["one end", "both ends", "neither end"])
def test_braid_without_any_parasitics_is_solved(braid):
    # No lead, no capacitance: a closed turn without impedance takes everything, a loose braid nothing.
    found = np.abs(three_port(replace(ideal_circuit(32), braid=braid), WIDE)[:, 2, 0])
    expected = 0.0 if braid == "both ends" else 64 / 2049
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-9)


def test_wrong_core_shows_at_the_low_end_and_in_the_angle_of_s33():
    right = replace(NOMINAL, winding_leakage=0.0)  # leakage would shift the corner by its own share
    powder = replace(right, core=find_core("T-50-2", CORES, MATERIALS))
    healthy, wrong = three_ports([right, powder], [1.585e6, 30e6])
    # 4.9 nH: the low corner of 32 turns is 1.585 MHz, three decibels there.
    assert db(wrong[0, 2, 0] / healthy[0, 2, 0]) == pytest.approx(3.0, abs=0.05)
    assert db(wrong[1, 2, 0] / healthy[1, 2, 0]) == pytest.approx(0.0, abs=0.05)
    assert abs(np.angle(wrong[0, 2, 2] / healthy[0, 2, 2], deg=True)) > 45


def test_gap_divides_the_permeability():
    # μ_gapped = μ/(1 + μ·g/l_e): reluctances in series.
    geometry = CORES["FT-50"].geometry
    gap, initial = 0.05e-3, 800.0
    gapped = initial / (1 + initial * gap / geometry.effective_length)
    whole = ToroidCore(geometry=geometry, material=ConstantMaterial(name="a", initial_permeability=initial))
    reduced = ToroidCore(geometry=geometry, material=ConstantMaterial(name="b", initial_permeability=gapped))
    cracked = three_port(replace(NOMINAL, core=whole, core_gap=gap), WIDE)
    np.testing.assert_allclose(cracked, three_port(replace(NOMINAL, core=reduced), WIDE), rtol=0, atol=1e-12)


def test_open_winding_leaves_only_capacitance():
    matrix = three_port(replace(NOMINAL, winding_open=True), [3e6, 30e6])
    assert (db(matrix[:, 2, 0]) > 45).all()
    assert (np.abs(matrix[:, 2, 2]) > 0.99).all()


def test_shorted_turns_are_missing_and_load_the_low_end():
    healthy = replace(NOMINAL, winding_leakage=0.0)  # leakage and the short would share the current at all frequencies
    shorted = replace(healthy, shorted_turns=1.0)
    low, high = coupling(shorted, [1e6, 50e6])
    assert low - coupling(healthy, [1e6])[0] > 1.5
    # Far above the short's corner one turn is simply missing: 31 turns.
    assert high == pytest.approx(coupling(replace(healthy, turns=31), [50e6])[0], abs=0.05)


@pytest.mark.parametrize("where", ["line_in_joint", "line_out_joint"])
def test_joint_in_the_line_is_series_resistance(where):
    # R in series with a matched line: S21 = 1/(1 + R/2Z0); the sampler's own 49 mΩ stand in series too.
    circuit = replace(ideal_circuit(32), **{where: 2.0})
    assert db(three_port(circuit, [7e6])[0, 1, 0]) == pytest.approx(20 * np.log10(1 + (2 + 50 / 1024) / 100), abs=1e-6)


@pytest.mark.parametrize("where", ["sample_joint", "winding_joint"])
def test_joint_at_the_sample_port_of_an_external_unit_hardly_shows(where):
    # A current source drives it.
    assert coupling(replace(NOMINAL, **{where: 5.0}), [7e6])[0] == pytest.approx(coupling(NOMINAL, [7e6])[0], abs=0.01)


def test_mismatch_shows_in_return_loss_and_its_place_in_the_phase():
    near, far, plain = three_ports(
        [replace(NOMINAL, mismatch=Mismatch(position=0.0)), replace(NOMINAL, mismatch=Mismatch(position=1.0)), NOMINAL], BAND
    )
    assert db(near[-1, 0, 0]) < db(plain[-1, 0, 0]) - 3
    assert db(far[-1, 0, 0]) < db(plain[-1, 0, 0]) - 3
    assert np.angle(near[-1, 0, 0]) > np.angle(far[-1, 0, 0])  # the far one is seen through more line


def test_mismatch_of_the_line_s_own_impedance_is_only_longer_line():
    lossless = LineSection(loss_db_per_m=0.0)
    circuit = replace(NOMINAL, line_before=lossless, line_after=lossless)
    longer = replace(circuit, line_before=replace(lossless, length=0.045))
    same = replace(circuit, mismatch=Mismatch(impedance=50.0, length=0.02, position=0.01))
    np.testing.assert_allclose(three_port(same, WIDE), three_port(longer, WIDE), rtol=0, atol=1e-12)
    # Half-way along the second section: from line out it stands 12.5 mm in.
    after = replace(circuit, mismatch=Mismatch(impedance=50.0, length=0.02, position=0.0375))
    longer = replace(circuit, line_after=replace(lossless, length=0.045))
    np.testing.assert_allclose(three_port(after, WIDE), three_port(longer, WIDE), rtol=0, atol=1e-12)


def test_low_shunt_and_series_keep_the_port_at_fifty_ohm():
    circuit = nominal_circuit(turns=10, core=FT50_43, shunt_ohm=5.0, series_ohm=45.0)
    assert circuit.pad == Pad("ell", 5.0, 45.0)
    assert db(three_port(circuit, [7e6])[0, 2, 2]) > 30


def test_matched_pad_adds_its_attenuation_beside_a_resistor_inside():
    # 10 dB pi pad for 50 Ω: 96.25, 71.15, 96.25 Ω by the textbook form R1 = Z0(K+1)/(K−1), R2 = Z0(K²−1)/2K, K = 10^(dB/20).
    k = 10**0.5
    pad = Pad("pi", 50 * (k + 1) / (k - 1), 50 * (k**2 - 1) / (2 * k), 50 * (k + 1) / (k - 1))
    for inside in (None, 50.0):
        without = ideal_circuit(10, internal_resistor=inside)
        found = coupling(replace(without, pad=pad), [7e6])[0] - coupling(without, [7e6])[0]
        assert found == pytest.approx(10.0, abs=1e-9)


# ---- what every circuit obeys -------------------------------------------------------------------------------------------


def positive(low, high):
    """Return a strategy of values spread evenly over decades."""
    return st.floats(np.log10(low), np.log10(high)).map(lambda exponent: 10.0**exponent)


def maybe(strategy):
    """Return a strategy that also gives zero."""
    return st.one_of(st.just(0.0), strategy)


LINES = st.builds(
    LineSection,
    impedance=st.floats(25, 100),
    length=maybe(st.floats(0.001, 0.3)),
    velocity_factor=st.floats(0.5, 1.0),
    loss_db_per_m=maybe(st.floats(0.01, 1.0)),
)
AREAS = st.just(12.92e-6)
LADDERS = st.builds(
    LadderCore, cells=st.lists(st.tuples(positive(0.1, 100), positive(1e-9, 1e-6)), min_size=1, max_size=3).map(tuple),
    effective_area=AREAS,
)  # fmt: skip
SIMPLE = st.builds(InductanceCore, inductance=positive(4e-9, 3e-6), effective_area=AREAS)
CIRCUITS = st.builds(
    SamplerCircuit,
    turns=st.floats(3, 100),
    core=st.one_of(LADDERS, SIMPLE, st.just(FT50_43)),
    core_gap=maybe(positive(1e-6, 1e-3)),
    line_before=LINES,
    line_after=LINES,
    mismatch=st.one_of(st.none(), st.builds(Mismatch, impedance=st.floats(25, 100), position=st.floats(0, 0.7))),
    primary_leakage=maybe(positive(1e-10, 1e-8)),
    winding_leakage=maybe(positive(1e-9, 1e-6)),
    winding_resistance=maybe(positive(1e-3, 10)),
    winding_skin_frequency=positive(1e5, 1e9),
    winding_capacitance=maybe(positive(1e-13, 1e-10)),
    winding_joint=maybe(positive(1e-3, 1e3)),
    winding_open=st.booleans(),
    shorted_turns=st.sampled_from([0.0, 1.0, 2.0]),
    internal_resistor=st.one_of(st.none(), positive(1, 1e4)),
    pad=st.one_of(
        st.none(),
        st.builds(Pad, st.sampled_from(["pi", "tee", "ell"]), positive(1, 1e3), positive(1, 1e3), positive(1, 1e3)),
    ),
    stray_capacitance=maybe(positive(1e-15, 1e-11)),
    braid=st.sampled_from(["one end", "both ends", "neither end"]),
    braid_end=st.sampled_from(["line in", "line out"]),
    braid_loop_inductance=maybe(positive(1e-10, 3e-8)),
    braid_resistance=positive(1e-5, 1),
    braid_lead_inductance=maybe(positive(1e-11, 3e-8)),
    braid_lead_resistance=maybe(positive(1e-5, 1)),
    braid_winding_capacitance=positive(1e-13, 1e-11),
    sample_capacitance=maybe(positive(1e-13, 1e-11)),
    line_in_joint=maybe(positive(1e-3, 10)),
    line_out_joint=maybe(positive(1e-3, 10)),
    sample_joint=maybe(positive(1e-3, 100)),
)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(CIRCUITS)
def test_every_circuit_is_reciprocal_and_passive(circuit):
    matrix = three_port(circuit, WIDE)
    np.testing.assert_allclose(matrix, matrix.swapaxes(1, 2), rtol=0, atol=1e-9)
    assert np.linalg.svd(matrix, compute_uv=False).max() <= 1 + 1e-9


@settings(max_examples=50, deadline=None, derandomize=True)
@given(CIRCUITS, SIMPLE)
def test_a_circuit_without_resistance_keeps_all_energy(circuit, core):
    lossless = replace(
        circuit,
        core=core,
        line_before=replace(circuit.line_before, loss_db_per_m=0.0),
        line_after=replace(circuit.line_after, loss_db_per_m=0.0),
        winding_resistance=0.0,
        winding_joint=0.0,
        shorted_turns_resistance=0.0,
        internal_resistor=None,
        pad=None,
        braid_resistance=0.0,
        braid_lead_resistance=0.0,
        line_in_joint=0.0,
        line_out_joint=0.0,
        sample_joint=0.0,
    )
    matrix = three_port(lossless, WIDE)
    energy = matrix.conj().swapaxes(1, 2) @ matrix
    np.testing.assert_allclose(energy, np.broadcast_to(np.eye(3), energy.shape), rtol=0, atol=1e-7)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(CIRCUITS)
def test_turning_the_unit_round_swaps_the_line_ports(circuit):
    # Without capacitance to the winding the sense of the line current is all that the sample port knows: S31 changes sign.
    circuit = replace(circuit, mismatch=None, stray_capacitance=0.0, braid_winding_capacitance=0.0)
    turned = replace(
        circuit,
        line_before=circuit.line_after,
        line_after=circuit.line_before,
        line_in_joint=circuit.line_out_joint,
        line_out_joint=circuit.line_in_joint,
        braid_end="line out" if circuit.braid_end == "line in" else "line in",
    )
    first, second = three_ports([circuit, turned], WIDE)
    order, sign = [1, 0, 2], np.array([1.0, 1.0, -1.0])
    swapped = first[:, order][:, :, order] * sign[:, None] * sign
    np.testing.assert_allclose(second, swapped, rtol=0, atol=1e-9)


def test_reference_impedance_of_the_ports():
    # In 75 Ω the same formulas hold with the winding loaded by 75 Ω: D = 2N² + 1 does not depend on Z0.
    np.testing.assert_allclose(
        three_port(ideal_circuit(10), [1e6], z0=75.0), three_port(ideal_circuit(10), [1e6]), rtol=0, atol=1e-12
    )


def test_copper_wire_resistance():
    # AWG 10 is very nearly 1 Ω per 1000 ft (common practice, no source).
    assert wire_resistance(304.8, wire_diameter(10)) == pytest.approx(1.0, rel=0.01)


# ---- refusals -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("grid", [[], [0.0], [-1e6], [1e6, np.nan], [np.inf], [[1e6, 2e6]]])
def test_grids_that_are_none_are_refused(grid):
    with pytest.raises(DataError, match="above 0 Hz"):
        three_port(NOMINAL, grid)


@pytest.mark.parametrize(
    "change",
    [
        {"turns": 0.0},
        {"turns": 1.0, "shorted_turns": 1.0},
        {"turns": np.nan},
        {"core_factor": 0.0},
        {"winding_leakage": -1e-9},
        {"braid_resistance": np.inf},
        {"internal_resistor": 0.0},
        {"braid": "sometimes"},
        {"shorted_turns": 1.0, "shorted_turns_leakage": 0.0, "shorted_turns_resistance": 0.0},
        {"braid_end": "middle"},
        {"winding_skin_frequency": 0.0},
        {"core": IdealCore(), "core_gap": 1e-5},
    ],
)
def test_impossible_circuits_are_refused(change):
    with pytest.raises(UsageError):
        replace(NOMINAL, **change)


@pytest.mark.parametrize(
    "make",
    [
        lambda: LineSection(impedance=0.0),
        lambda: LineSection(velocity_factor=1.2),
        lambda: Mismatch(impedance=-75.0),
        lambda: Mismatch(position=-0.01),
        lambda: Pad("delta", 1.0, 1.0, 1.0),
        lambda: Pad("pi", 96.0, 71.0),
        lambda: Pad("tee", 1.0, 0.0, 1.0),
        lambda: nominal_circuit(turns=10, core=FT50_43, termination="somewhere"),
        lambda: nominal_circuit(turns=10, core=FT50_43, series_ohm=45.0),
        lambda: nominal_circuit(turns=10, core=FT50_43, shunt_ohm=5.0, pad=Pad("ell", 5.0, 45.0)),
        lambda: nominal_circuit(turns=-10, core=FT50_43),
        lambda: CoreGeometry(outer_diameter=1e-2, inner_diameter=5e-3, height=-1e-3),
    ],
)
def test_impossible_parts_are_refused(make):
    with pytest.raises(UsageError):
        make()
