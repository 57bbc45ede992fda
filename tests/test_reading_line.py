"""From a reading to the line: mismatch, pads and cables, the line SWR, and the intervals.

Mismatch: a power-meter manual's examples, (1 + Γ1·Γ2)² − 1. Networks: scikit-rf. The line SWR: delivered power lies between
I²·Z0/s and I²·Z0·s (transmission-line theory; ± 0.79 dB at 1.2 and ± 3.01 dB at 2); with the phase evenly spread its distribution
is known in closed form. Rectangular and normal inputs: GUM (JCGM 100) 4.3.7 and 5.1.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import skrf

from harness.analysis.reading.answer import Answer, Asked, LineValues, answer
from harness.analysis.reading.chain import Between, CableRun, Chain, Pad, drawn, mismatch_limits, nominal
from harness.analysis.reading.level import parse_level
from harness.analysis.reading.line import mean_on_line, on_line
from harness.analysis.reading.unit import Known
from harness.analysis.reading.waveform import waveform
from harness.errors import DataError, UsageError
from harness.files import read_type
from harness.records import CouplingAt, Interval
from harness.sampler import ideal_circuit, three_port
from harness.sampler.design import shipped_parts
from tests.reading_units import COUPLING_DB, external, flat_table, ideal, internal
from tests.sheet_records import unit_proof

MATCHED = Chain(reflection=0.0, stated=True)
AT = 7.1e6


def read(known: Known, level: str, chain: Chain = MATCHED, swr: float = 1.0, shape: str | None = None) -> Answer:
    return answer(known, Asked(AT, parse_level(level), chain, swr, None if shape is None else waveform(shape)))


def mean(found: Answer) -> LineValues:
    assert found.mean is not None
    return found.mean


def ends(value: Interval) -> tuple[float, float]:
    assert value.low is not None
    assert value.high is not None
    return value.low, value.high


@pytest.mark.parametrize(("swrs", "most"), [((1.50, 1.20), 0.0367), ((1.30, 1.20), 0.0239), ((1.03, 1.50), 0.0059)])
def test_mismatch_of_a_power_meter_manual(swrs: tuple[float, float], most: float) -> None:
    sizes = [(swr - 1) / (swr + 1) for swr in swrs]
    assert mismatch_limits(*sizes)[1] == pytest.approx(most, abs=5e-5)
    # in the chain: the worst and best phase of an instrument on a port of that reflection (the same to second order)
    phases = np.exp(1j * np.linspace(0, 2 * np.pi, 721))
    one = np.ones(1, dtype=np.complex128)
    shown = Between(one, 0 * one, 0 * one, sizes[1] * phases).wave(sizes[0] * one) ** 2 - 1
    assert shown.max() == pytest.approx(1 / (1 - sizes[0] * sizes[1]) ** 2 - 1)
    assert shown.min() == pytest.approx(1 / (1 + sizes[0] * sizes[1]) ** 2 - 1)


def test_32_turns_read_as_the_closed_form_says() -> None:
    """Ideal core, 32 turns, external: coupling 30.1072 dB, so 0 dBm at the port are 10^3.01072 mW on a matched line."""
    s = three_port(ideal_circuit(32), [AT])
    assert -20 * np.log10(abs(s[0, 2, 0])) == pytest.approx(COUPLING_DB, abs=5e-4)
    found = mean(read(ideal(), "0 dBm"))
    assert found.delivered.value == pytest.approx(1.02499, rel=1e-4)
    assert found.forward.value == found.delivered.value
    assert found.current.value == pytest.approx(np.sqrt(1.02499 / 50), rel=1e-4)
    assert found.voltage.value == pytest.approx(np.sqrt(1.02499 * 50), rel=1e-4)


def test_100_w_on_a_50_ohm_line_are_1_41_a_and_70_7_v() -> None:
    found = mean(read(ideal(30.0), "20 dBm"))
    assert (found.delivered.value, found.current.value, found.voltage.value) == pytest.approx((100, 1.41421, 70.7107), rel=1e-5)


@pytest.mark.parametrize(("swr", "extreme"), [(1.2, 0.79), (2.0, 3.01)])
def test_line_swr_moves_power_by_its_decibels_at_the_extremes(swr: float, extreme: float) -> None:
    found = read(ideal(30.0), "20 dBm", swr=swr)
    assert found.swr_db == pytest.approx(extreme, abs=5e-3)
    size = (swr - 1) / (swr + 1)
    s = ideal().matrix(np.array([AT]))
    best, worst = (on_line(s, np.array([size * turned + 0j])).delivered[0] for turned in (1, -1))
    assert 10 * np.log10([best, worst]) == pytest.approx([extreme, -extreme], abs=5e-3)


@pytest.mark.parametrize("swr", [1.5, 2.0, 3.0])
def test_unknown_phase_gives_the_interval_of_its_distribution(swr: float) -> None:
    """P = I²Z0·(1 − ρ²)/abs(1 − ρ·e^{jφ})² falls with φ from 0 to π: its quantiles are those of φ. The mean is I²Z0."""
    found = mean(read(ideal(30.0), "20 dBm", swr=swr))
    size = (swr - 1) / (swr + 1)
    low, high = (100 * (1 - size**2) / abs(1 - size * np.exp(1j * np.pi * at)) ** 2 for at in (0.975, 0.025))
    assert ends(found.delivered) == pytest.approx((low, high), rel=5e-3)
    assert ends(found.forward) == pytest.approx((low / (1 - size**2), high / (1 - size**2)), rel=5e-3)
    phases = np.exp(2j * np.pi * np.arange(3600) / 3600)
    every = on_line(ideal().matrix(np.array([AT])), size * phases[:, None])
    plain = mean_on_line(ideal().matrix(np.array([AT])), np.array([size]))
    assert every.delivered.mean() == pytest.approx(plain.delivered[0])
    assert every.forward.mean() == pytest.approx(plain.forward[0])
    assert np.log(every.voltage).mean() == pytest.approx(0.0, abs=1e-9)
    assert found.delivered.value == pytest.approx(100)
    assert found.forward.value == pytest.approx(100 / (1 - size**2))


def test_only_the_current_is_free_of_the_line_swr() -> None:
    one, other = (mean(read(ideal(30.0, 0.1), "20 dBm", swr=swr)) for swr in (1.0, 3.0))
    assert other.current == one.current
    assert ends(other.delivered)[1] > 2 * ends(one.delivered)[1]


def test_a_real_units_current_hangs_on_the_line_swr_by_hundredths_only() -> None:
    """At 54 MHz the box is not small: what is left is in the interval (see the budget)."""
    asked = Asked(54e6, parse_level("20 dBm"), MATCHED, 2.0)
    shares = {share.what: share.db for share in answer(external(), asked).budget}
    assert 0.005 < shares["where the line's load sets the current"] < 0.2


def test_a_rectangle_and_a_normal_input_give_their_intervals() -> None:
    accurate = replace(MATCHED, accuracy_db=0.5)
    low, high = 20 * np.log10(np.array(ends(mean(read(ideal(30.0), "20 dBm", accurate)).current)) / np.sqrt(2))
    assert (low, high) == pytest.approx((-0.475, 0.475), abs=0.005)  # 95 % of a rectangle
    low, high = 20 * np.log10(np.array(ends(mean(read(ideal(30.0, 0.2), "20 dBm")).current)) / np.sqrt(2))
    assert (low, high) == pytest.approx((-0.2, 0.2), abs=0.006)  # the proof's own interval
    both = read(ideal(30.0, 0.2), "20 dBm", accurate)
    half = float(np.diff(20 * np.log10(np.array(ends(mean(both).current))))[0]) / 2
    combined = np.hypot(0.2 / 1.96, 0.5 / np.sqrt(3))
    assert 1.75 * combined < half < 1.96 * combined  # between a rectangle's and a normal's factor
    assert {share.what for share in both.budget} == {"the unit's proof", "the instrument"}


def test_two_tones_on_a_scope_are_read_as_pep_and_as_mean() -> None:
    """2 Vpp are 10 dBm at the crest; the mean of two equal tones lies 3.01 dB under it (textbook)."""
    found = read(ideal(30.0), "2 Vpp", shape="two-tone")
    assert found.crest is not None
    assert found.crest.delivered.value == pytest.approx(10.0)
    assert 10 * np.log10(found.crest.delivered.value / mean(found).delivered.value) == pytest.approx(3.0103, abs=1e-4)
    meter = read(ideal(30.0), "10 dBm", shape="two-tone")
    assert meter.crest is not None
    assert (mean(meter).delivered.value, meter.crest.delivered.value) == pytest.approx((10.0, 20.0))


def test_a_crest_alone_tells_no_mean_and_a_mean_no_crest() -> None:
    assert read(ideal(), "2 Vpp").mean is None
    assert read(ideal(), "10 dBm").crest is None
    plain = read(ideal(), "2 Vpp", shape="cw")
    assert plain.mean == plain.crest


def networks(hz: float) -> skrf.Network:
    """Return a lossless two-port that reflects: a piece of 75 ohm line with a capacitor across its end, between 50 ohm."""
    frequency = skrf.Frequency.from_f([hz], unit="hz")
    fifty = skrf.media.DefinedGammaZ0(frequency, gamma=1j * 2 * np.pi * hz / 2e8, z0=50)
    return fifty.line(0.3, "m", z0=75) ** fifty.shunt_capacitor(20e-12) ** fifty.line(1.1, "m")


@pytest.mark.parametrize("hz", [3.5e6, 28e6, 50e6])
@pytest.mark.parametrize("s33", [0.97 * np.exp(-0.3j), 0.05j])
def test_the_chain_keeps_power_as_scikit_rf_says(hz: float, s33: complex) -> None:
    """A lossless two-port: what goes into it, with scikit-rf's input reflection, comes out at the load."""
    between, load = networks(hz), 0.2 - 0.1j
    s = between.s[0]
    into = (between ** skrf.Network(frequency=between.frequency, s=np.array([[[load]]]), z0=50)).s[0, 0, 0]
    went_in = (1 - abs(into) ** 2) / abs(1 - s33 * into) ** 2
    found = Between(*(np.array([value]) for value in (s[1, 0], s[0, 0], s[1, 1], load)))
    wave, volts = found.wave(np.array([s33]))[0], found.volts(np.array([s33]))[0]
    assert wave**2 * (1 - abs(load) ** 2) == pytest.approx(went_in, rel=1e-9)
    assert volts == pytest.approx(wave * abs(1 + load), rel=1e-9)


def test_pads_and_cables_take_their_decibels() -> None:
    chain = replace(MATCHED, pads=(Pad(20.0), Pad(10.0)), cables=(CableRun("a cable", 1.0, 25e6, 5e-9, 0.0),))
    lost = -20 * np.log10(abs(nominal(chain, np.array([25e6, 100e6])).t))
    assert lost == pytest.approx([31.0, 32.0])  # loss with the square root of frequency
    assert mean(read(ideal(30.0), "-10 dBm", replace(MATCHED, pads=(Pad(30.0),)))).delivered.value == pytest.approx(100)


def test_a_pads_tolerance_is_in_the_interval_and_hides_the_instruments_match() -> None:
    loose = read(ideal(30.0), "0 dBm", replace(MATCHED, pads=(Pad(20.0, 0.3),)))
    assert {share.what: share.db for share in loose.budget} == {"pads": pytest.approx(0.285, abs=0.005)}
    bad = replace(MATCHED, reflection=0.2)
    alone = drawn(bad, np.array([AT]), np.random.default_rng(1), 4000, ("match",)).wave(external().s33(np.array([AT])))
    assert 0.1 < np.std(20 * np.log10(alone)) < 1.5


@pytest.mark.parametrize(
    ("kind", "into", "more_db"), [("internal", "1Mohm", 6.02), ("internal", "tee", 0.0), ("external", "tee", 0.0)]
)
def test_a_scope_reads_what_its_load_makes_of_the_winding(kind: str, into: str, more_db: float) -> None:
    """Internally terminated, a scope alone reads twice the volts of 50 ohm: one of two equal loads in parallel is missing."""
    known = internal() if kind == "internal" else external()
    hz = np.array([2e6])
    chain = Chain(into=into, reflection=0.0, farads=(0.0, 0.0))  # type: ignore[arg-type]
    ratio = nominal(chain, hz).volts(known.s33(hz))[0] / nominal(Chain(reflection=0.0), hz).volts(known.s33(hz))[0]
    assert 20 * np.log10(ratio) == pytest.approx(more_db, abs=0.06)


def test_a_high_impedance_input_alone_is_refused_for_an_external_termination() -> None:
    with pytest.raises(UsageError, match="externally terminated") as caught:
        read(external(), "2 Vpp", Chain(into="1Mohm"))
    assert "At 7.1 MHz this design's winding would give 2" in caught.value.message
    assert "--into tee" in caught.value.hint
    assert read(internal(), "2 Vpp", Chain(into="1Mohm")).crest is not None
    behind = Chain(into="1Mohm", pads=(Pad(20.0),), reflection=0.0, farads=(0.0, 0.0))  # a pad is a load
    ended = replace(behind, into="tee")
    open_, loaded = (read(external(), "2 Vpp", one).crest for one in (behind, ended))
    assert open_ is not None
    assert loaded is not None
    assert 20 * np.log10(loaded.current.value / open_.current.value) == pytest.approx(6.02, abs=0.12)


def test_an_unloaded_winding_gives_what_the_design_says() -> None:
    """The refusal's decibels are those of the design engine's "scope alone" beside "into 50 ohm" (its own tests hold those)."""
    circuit = external().circuit
    assert circuit is not None
    design = circuit.design
    hz = design.frequencies_hz[20]
    expected = design.coupling.into_50.db[20] - design.coupling.scope_alone.db[20]
    alone = nominal(Chain(into="1Mohm", farads=(15e-12, 15e-12)), np.array([hz])).volts(external().s33(np.array([hz])))[0]
    assert 20 * np.log10(alone) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("hz", "where", "says"), [(7e6, "proved band", ""), (80e6, "swept", "asks nothing"), (150e6, "beyond", "no interval")]
)
def test_outside_the_proved_band_it_says_so_and_carries_what_is_known(hz: float, where: str, says: str) -> None:
    found = answer(external(), Asked(hz, parse_level("20 dBm"), MATCHED, 1.0))
    assert found.coupling.where == (where,)
    assert any(says in note for note in found.notes) or not says
    assert (mean(found).current.low is None) is (where == "beyond")
    assert mean(found).current.value > 1


def test_a_proof_without_a_table_reads_from_its_bands_or_not_at_all() -> None:
    from harness.analysis.reading.unit import known_unit

    proof = unit_proof().model_copy(update={"coupling_table": None})
    known = known_unit(proof, shipped_parts())
    assert known.coupling(np.array([7.1e6])).db[0] == pytest.approx(30.1)
    bare = proof.model_copy(update={"coupling_at": (CouplingAt(hz=7e6, db=30.0),)})
    with pytest.raises(DataError, match="holds no coupling"):
        known_unit(bare, shipped_parts())


def test_a_type_of_unknown_parts_is_read_with_its_reflection_bounded() -> None:
    type_ = read_type("hf30")
    odd = type_.model_copy(update={"build": type_.build.model_copy(update={"core": "XX-9-99"})})
    from harness.analysis.reading.unit import known_unit

    known = known_unit(unit_proof(type=odd, coupling_table=flat_table(30.0, 0.1)), shipped_parts())
    assert known.circuit is None
    found = read(known, "20 dBm", Chain())
    assert mean(found).delivered.value == pytest.approx(100)
    assert any("circuit is not known" in note for note in found.notes)
