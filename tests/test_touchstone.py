"""Touchstone files against the specification's examples, scikit-rf, and everything that must be refused.

Sources: Touchstone File Format Specification, versions 1.1 (2002) and 2.0 (2009), IBIS Open Forum, by the number of the
example in 2.0, as scikit-rf's own tests quote them (14 cut to its first frequency, 17 with the line end and [End] that it
needs); scikit-rf as an independent reader and writer of what we write and read.
"""

from __future__ import annotations

import io
import math
import pickle
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from skrf.frequency import Frequency
from skrf.io.touchstone import Touchstone
from skrf.network import Network

from harness.errors import DataError, FileError
from harness.records import Sweep
from harness.touchstone import (
    MARK,
    NOISE_SAID,
    OPEN_END_SAID,
    ZEROS_SAID,
    clean_comment,
    read_sweep,
    write_sweep,
)
from harness.touchstone_check import MAX_CHARACTERS

EX_13 = """!2-port S-parameter file, three frequency points
# GHz S RI R 50.0
!freq ReS11 ImS11 ReS21 ImS21 ReS12 ImS12 ReS22 ImS22
1.0000 0.3926 -0.1211 -0.0003 -0.0021 -0.0003 -0.0021 0.3926 -0.1211
2.0000 0.3517 -0.3054 -0.0096 -0.0298 -0.0096 -0.0298 0.3517 -0.3054
10.000 0.3419 0.3336 -0.0134 0.0379 -0.0134 0.0379 0.3419 0.3336
"""
EX_14 = """! 4-port S-parameter data, one of its three frequency points
# GHz S MA R 50
5.00000 0.60 161.24 0.40 -42.20 0.42 -66.58 0.53 -79.34 !row 1
 0.40 -42.20 0.60 161.20 0.53 -79.34 0.42 -66.58 !row 2
 0.42 -66.58 0.53 -79.34 0.60 161.24 0.40 -42.20 !row 3
 0.53 -79.34 0.42 -66.58 0.40 -42.20 0.60 161.24 !row 4
"""
EX_17 = """!2-port network, S-parameter and noise data
!Default MA format, GHz frequencies, 50 ohm reference, S-parameters
[Version] 2.0
#
[Number of Ports] 2
[Two-Port Data Order] 21_12
[Number of Frequencies] 2
[Number of Noise Frequencies] 2
[Reference] 50 25.0
[Network Data]
2 .95 -26 3.57 157 .04 76 .66 -14
22 .60 -144 1.30 40 .14 40 .56 -85
[Noise Data]
4 .7 .64 69 19
18 2.7 .46 -33 20
[End]
"""
EX_18 = """!2-port network, S-parameter and noise data
!Default MA format, GHz frequencies, 50 ohm reference, S-parameters
#
! NETWORK PARAMETERS
2 .95 -26 3.57 157 .04 76 .66 -14
22 .60 -144 1.30 40 .14 40 .56 -85
! NOISE PARAMETERS
4 .7 .64 69 .38
18 2.7 .46 -33 .40
"""
EX_6 = """! 4-port S-parameter data
! Note that [Reference] arguments are split across two lines
[Version] 2.0
# GHz S MA R 50
[Number of Ports] 4
[Number of Frequencies] 1
[Reference] 50 75
0.01 0.01
[Matrix Format] Lower
[Network Data]
5.00000 0.60 161.24 !row 1
 0.40 -42.20 0.60 161.20 !row 2
 0.42 -66.58 0.53 -79.34 0.60 161.24 !row 3
 0.53 -79.34 0.42 -66.58 0.40 -42.20 0.60 161.24 !row 4
"""


def polar(magnitude: float, degrees: float) -> complex:
    """Return magnitude·e^(j·degrees)."""
    return complex(magnitude * np.exp(1j * math.radians(degrees)))


def refusal(text: str, ports: int = 2) -> FileError:
    """Return the FileError that reading ``text`` raises."""
    with pytest.raises(FileError) as caught:
        read_sweep(text, "line", ports, "line.s2p")
    return caught.value


def random_s(seed: int, points: int, ports: int) -> NDArray[np.complex128]:
    """Return random S of shape (points, ports, ports), smaller than one."""
    rng = np.random.default_rng(seed)
    shape = (points, ports, ports)
    return np.asarray((rng.normal(size=shape) + 1j * rng.normal(size=shape)) / (4 * ports), dtype=np.complex128)


def same_traces(one: Mapping[str, NDArray[np.complex128]], other: Mapping[str, NDArray[np.complex128]]) -> bool:
    """Tell whether two sets of traces are the same to the last bit."""
    return set(one) == set(other) and all(np.array_equal(one[key], other[key]) for key in one)


# The specification's examples


def test_example_13_real_imaginary() -> None:
    sweep = read_sweep(EX_13, "line", 2, "ex13.s2p")
    assert sweep.frequency_hz.tolist() == [1e9, 2e9, 10e9]
    assert sweep.trace("s11")[0] == 0.3926 - 0.1211j
    assert sweep.trace("s21")[2] == -0.0134 + 0.0379j
    assert sweep.trace("s22")[1] == 0.3517 - 0.3054j


def test_example_14_four_ports_magnitude_angle() -> None:
    sweep = read_sweep(EX_14, "x", 4, "ex14.s4p")
    assert sweep.trace("s14")[0] == pytest.approx(polar(0.53, -79.34), abs=1e-15)
    assert sweep.trace("s22")[0] == pytest.approx(polar(0.60, 161.20), abs=1e-15)
    assert sweep.trace("s41")[0] == pytest.approx(polar(0.53, -79.34), abs=1e-15)


def test_example_18_order_of_s21_and_s12_defaults_and_noise_block() -> None:
    sweep = read_sweep(EX_18, "x", 2, "ex18.s2p")
    assert abs(sweep.trace("s21")[0]) == pytest.approx(3.57, rel=1e-14)
    assert abs(sweep.trace("s12")[0]) == pytest.approx(0.04, rel=1e-14)
    assert sweep.frequency_hz.tolist() == [2e9, 22e9]
    assert NOISE_SAID in sweep.comments


def test_example_17_version_2_with_a_reference_for_each_port() -> None:
    sweep = read_sweep(EX_17, "x", 2, "ex17.ts")
    raw = np.array([[polar(0.95, -26), polar(0.04, 76)], [polar(3.57, 157), polar(0.66, -14)]])
    root = np.diag(np.sqrt([50.0, 25.0]))
    unit = np.eye(2)
    impedance = root @ (unit + raw) @ np.linalg.inv(unit - raw) @ root
    expected = (impedance - 50 * unit) @ np.linalg.inv(impedance + 50 * unit)
    for key in ("s11", "s12", "s21", "s22"):
        assert sweep.trace(key)[0] == pytest.approx(expected[int(key[1]) - 1, int(key[2]) - 1], abs=1e-12)
    assert any(comment.startswith("renormalised to 50 ohm from 50, 25") for comment in sweep.comments)


def test_example_6_lower_matrix_and_reference_over_two_lines() -> None:
    sweep = read_sweep(EX_6.replace("50 75\n0.01 0.01", "50 50\n50 50"), "x", 4, "ex6.ts")
    assert sweep.trace("s24")[0] == pytest.approx(polar(0.42, -66.58), abs=1e-15)
    assert sweep.trace("s42")[0] == pytest.approx(polar(0.42, -66.58), abs=1e-15)
    assert read_sweep(EX_6, "x", 4, "ex6.ts").trace("s11").shape == (1,)


def test_upper_matrix_by_row() -> None:
    text = (
        "[Version] 2.1\n# Hz S RI\n[Number of Ports] 3\n[Number of Frequencies] 1\n[Matrix Format] Upper\n"
        "[Network Data]\n1 .11 0 .12 0 .13 0\n.22 0 .23 0\n.33 0\n[End]\n"
    )
    sweep = read_sweep(text, "x", 3, "upper.ts")
    found = {key: trace[0].real for key, trace in sweep.traces.items()}
    assert found == {
        "s11": 0.11, "s12": 0.12, "s13": 0.13, "s21": 0.12, "s22": 0.22, "s23": 0.23, "s31": 0.13, "s32": 0.23, "s33": 0.33,
    }  # fmt: skip


def test_version_2_order_12_21_is_heeded() -> None:
    sweep = read_sweep(EX_17.replace("21_12", "12_21").replace("50 25.0", "50 50"), "x", 2, "ex17.ts")
    assert abs(sweep.trace("s12")[0]) == pytest.approx(3.57, rel=1e-14)


def test_example_8_one_port() -> None:
    sweep = read_sweep("# MHz S MA R 50\n!freq magS11 angS11\n2.000 0.894 -12.136\n", "sample", 1, "ex8.s1p")
    assert sweep.frequency_hz[0] == pytest.approx(2e6, rel=1e-15)
    assert sweep.trace("s11")[0] == pytest.approx(polar(0.894, -12.136), abs=1e-15)


@pytest.mark.parametrize("options", ["# MHz S RI R 50", "# R 50 RI S mhz", "#ri mhz", "# RI\tMHZ r 50.0 s ! with a comment"])
def test_options_come_in_any_order_and_case(options: str) -> None:
    sweep = read_sweep(f"{options}\n7.1 .1 .2\n", "x", 1, "x.s1p")
    assert sweep.frequency_hz[0] == pytest.approx(7.1e6, rel=1e-15)
    assert sweep.trace("s11")[0] == 0.1 + 0.2j


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends(end: str) -> None:
    sweep = read_sweep(EX_13.replace("\n", end), "x", 2, "x.s2p")
    assert sweep.frequency_hz.size == 3


def test_decibels_and_angle() -> None:
    sweep = read_sweep("# Hz S DB\n1 -20 90\n", "x", 1, "x.s1p")
    assert sweep.trace("s11")[0] == pytest.approx(0.1j, abs=1e-16)


# Both ways with scikit-rf


@pytest.mark.parametrize("ports", [1, 2, 3, 4, 5])
def test_scikit_rf_reads_what_we_write(ports: int) -> None:
    hz = np.linspace(1e6, 100e6, 21) + 1 / 3
    s = random_s(ports, 21, ports)
    stream = io.StringIO(write_sweep(Sweep.from_matrix("unit", hz, s, ("one", "two"))))
    stream.name = f"unit.s{ports}p"
    read = Touchstone(stream)
    assert np.array_equal(read.f, hz)
    assert np.array_equal(read.s, s)


@pytest.mark.parametrize("ports", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("form", ["ri", "ma", "db"])
@pytest.mark.parametrize("version", ["1.1", "2.0", "2.1"])
def test_we_read_what_scikit_rf_writes(ports: int, form: str, version: str) -> None:
    hz = np.linspace(1e6, 100e6, 11)
    s = random_s(ports + 10, 11, ports)
    network = Network(frequency=Frequency.from_f(hz, unit="hz"), s=s, z0=50, name="unit")
    keywords = {} if version == "1.1" else {"version": version}
    text = network.write_touchstone(return_string=True, form=form, **keywords)
    sweep = read_sweep(text, "unit", ports, "unit")
    assert np.allclose(sweep.frequency_hz, hz, rtol=1e-12)
    assert np.allclose(sweep.matrix(), s, atol=1e-12)


@pytest.mark.parametrize("ohm", [10.0, 75.0, 300.0])
def test_other_reference_resistance_against_scikit_rf(ohm: float) -> None:
    hz = np.linspace(1e6, 2e6, 5)
    s = random_s(3, 5, 3)
    network = Network(frequency=Frequency.from_f(hz, unit="hz"), s=s, z0=ohm, name="unit")
    sweep = read_sweep(network.write_touchstone(return_string=True, form="ri", r_ref=ohm), "unit", 3, "unit.s3p")
    network.renormalize(50)
    assert np.allclose(sweep.matrix(), network.s, atol=1e-12)


def test_a_perfect_thru_at_75_ohm_stays_a_thru_at_50() -> None:
    # A conductor of no length has no impedance of its own; S = [[0, 1], [1, 0]] at any equal reference. The library shifts the
    # infinite impedance by a hair, hence the tolerance.
    sweep = read_sweep("# MHz S RI R 75\n1 0 0 1 0 1 0 0 0\n", "x", 2, "thru.s2p")
    assert sweep.trace("s21")[0] == pytest.approx(1.0, abs=1e-8)
    assert abs(sweep.trace("s11")[0]) < 1e-8


def test_three_port_layout_each_row_on_a_line() -> None:
    # Touchstone 1.1: three-port data go row by row of the matrix, each row on a new line.
    s = np.array([[[11, 12, 13], [21, 22, 23], [31, 32, 33]]], dtype=np.complex128) / 100
    lines = write_sweep(Sweep.from_matrix("unit", np.array([1e6]), s)).splitlines()[-3:]
    assert lines == ["1000000.0 0.11 0.0 0.12 0.0 0.13 0.0", "0.21 0.0 0.22 0.0 0.23 0.0", "0.31 0.0 0.32 0.0 0.33 0.0"]


# Our own files


FLOATS = st.floats(allow_nan=False, allow_infinity=False)
COMPLEXES = st.builds(complex, FLOATS, FLOATS)
GRIDS = st.lists(st.floats(1e-3, 1e12), min_size=1, max_size=6, unique=True).map(sorted)


@st.composite
def sweeps(draw: st.DrawFn) -> Sweep:
    """Draw a sweep of one to three ports with any traces missing and any comments."""
    hz = np.array(draw(GRIDS))
    ports = draw(st.integers(1, 3))
    keys = [f"s{i}{j}" for i in range(1, ports + 1) for j in range(1, ports + 1)]
    kept = draw(st.sets(st.sampled_from(keys), min_size=1))
    column = st.lists(COMPLEXES, min_size=hz.size, max_size=hz.size)
    traces = {key: np.array(draw(column), dtype=np.complex128) for key in sorted(kept)}
    return Sweep("any", hz, traces, ports, tuple(draw(st.lists(st.text(max_size=40), max_size=4))))


@given(sweeps())
def test_round_trip_is_exact(sweep: Sweep) -> None:
    back = read_sweep(write_sweep(sweep), sweep.name, sweep.ports, "any")
    assert np.array_equal(back.frequency_hz, sweep.frequency_hz)
    assert same_traces(back.traces, sweep.traces)
    assert back.comments == tuple(filter(None, map(clean_comment, sweep.comments)))
    assert write_sweep(back) == write_sweep(sweep)


@given(sweeps(), st.data())
def test_our_own_form_is_read_at_once_and_the_same_as_line_by_line(sweep: Sweep, data: st.DataObject) -> None:
    """A lower-case unit is as good for Touchstone, and no longer the very form that we write: every line is looked at."""
    text = write_sweep(sweep)
    place = data.draw(st.integers(0, len(text)))
    text = text[:place] + data.draw(st.sampled_from(["", "", "0", ".", " ", "\n", "-", "e", "! x\n", "1 2\n"])) + text[place:]

    def read(one: str) -> object:
        try:
            found = read_sweep(one, sweep.name, sweep.ports, "x")
        except FileError as error:
            return error.message, error.line
        return found.comments, found.ports, found.frequency_hz.tolist(), {k: v.tolist() for k, v in found.traces.items()}

    careful = text.replace("# Hz S RI R 50", "# hz S RI R 50", 1)
    assert read(text) == read(careful)


@given(st.text(max_size=400))
def test_a_comment_cannot_leave_its_line(comment: str) -> None:
    hz = np.array([1e6])
    text = write_sweep(Sweep("x", hz, {"s11": np.array([0.5 + 0j])}, 1, (comment,)))
    assert text.isascii()
    assert text.replace("\n", "").isprintable()
    data = [line for line in text.split("\n") if line and not line.startswith("!")]
    assert data == ["# Hz S RI R 50", "1000000.0 0.5 0.0"]


def test_a_comment_that_copies_our_own_lines_changes_nothing() -> None:
    hz = np.array([1e6, 2e6])
    sweep = Sweep("x", hz, {"s11": hz + 0j, "s21": hz * 1j}, 2, (MARK, "points: 9", "not measured, written as zeros: none"))
    back = read_sweep(write_sweep(sweep), "x", 2, "x")
    assert same_traces(back.traces, sweep.traces)
    assert back.comments == sweep.comments


def test_letters_of_the_trade_are_spelled_out() -> None:
    assert clean_comment("−30 dB ± 1, 50 Ω, 3 µs\r\n# Hz\tS") == "-30 dB +/- 1, 50 ohm, 3 us  # Hz S"


def test_one_path_columns_are_said_and_come_back_absent() -> None:
    hz = np.array([1e6, 2e6])
    sweep = Sweep("coupled", hz, {"s11": np.array([0.1 + 0j, 0]), "s21": np.array([0.03j, 0.03])}, 2, ("unit: CL-0007",))
    text = write_sweep(sweep)
    assert "! not measured, written as zeros: S12 S22\n" in text
    assert text.splitlines()[-1] == "2000000.0 0.0 0.0 0.03 0.0 0.0 0.0 0.0 0.0"
    back = read_sweep(text, "coupled", 2, "coupled.s2p")
    assert sorted(back.traces) == ["s11", "s21"]
    assert back.comments == ("unit: CL-0007",)


def test_measured_zeros_stay_measured() -> None:
    sweep = Sweep.from_matrix("x", np.array([1e6]), np.zeros((1, 2, 2), dtype=np.complex128))
    assert sorted(read_sweep(write_sweep(sweep), "x", 2, "x").traces) == ["s11", "s12", "s21", "s22"]


def test_a_reflection_taken_on_analyser_2_keeps_its_name_in_a_one_port_file() -> None:
    sweep = Sweep("cal-short-2", np.array([1e6]), {"s22": np.array([-1 + 0j])}, 1)
    assert list(read_sweep(write_sweep(sweep), "cal-short-2", 1, "x").traces) == ["s22"]


def test_zeros_of_another_one_path_instrument_are_absent_and_it_is_said() -> None:
    sweep = read_sweep("! from elsewhere\n# MHz S RI R 50\n1 .1 0 .9 0 0 0 0 0\n2 .1 0 .9 0 0 0 0 0\n", "x", 2, "x.s2p")
    assert sorted(sweep.traces) == ["s11", "s21"]
    assert sweep.comments == ("from elsewhere", ZEROS_SAID)


def test_our_own_file_cut_anywhere_is_refused() -> None:
    hz = np.array([1e6, 2e6, 3e6])
    text = write_sweep(Sweep("x", hz, {"s11": np.array([0.125, 0.25, 0.0625j]), "s21": hz / 1e7 + 0j}, 2, ("unit: A",)))
    for cut in range(len(text)):
        with pytest.raises(FileError):
            read_sweep(text[:cut], "x", 2, "x.s2p")
    assert read_sweep(text, "x", 2, "x.s2p").frequency_hz.size == 3


def test_our_own_file_with_a_row_missing_in_the_middle_is_refused() -> None:
    lines = write_sweep(Sweep.from_matrix("x", np.array([1e6, 2e6, 3e6]), random_s(1, 3, 2))).splitlines(keepends=True)
    error = refusal("".join(lines[:5] + lines[6:]))
    assert "3 points and holds 2" in error.message


def test_another_file_cut_inside_a_row_is_refused_or_said() -> None:
    whole = read_sweep(EX_13, "x", 2, "x.s2p")
    start_of_last_row = EX_13.rindex("10.000")
    for cut in range(start_of_last_row + 1, len(EX_13)):
        try:
            sweep = read_sweep(EX_13[:cut], "x", 2, "x.s2p")
        except FileError:
            continue
        # Only inside the very last number, which cannot be seen in this version: said in the comments.
        assert cut > EX_13.rindex(" ")
        assert OPEN_END_SAID in sweep.comments
        assert sweep.frequency_hz.size == whole.frequency_hz.size


def test_version_2_file_cut_at_a_row_is_refused() -> None:
    lines = EX_17.splitlines(keepends=True)
    for count in range(1, len(lines) - 1):
        with pytest.raises(FileError):
            read_sweep("".join(lines[:count]), "x", 2, "x.ts")


# What is refused, with its line


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        ("1 .1 0 .9 0 .9 0 .1 0\n", 1, "no option line"),
        ("# MHz S RI\n! c\n# MHz S MA\n1 .1 0 .9 0 .9 0 .1 0\n", 3, "second option line"),
        ("# MHz S RI R 0\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "reference resistance is 0 ohm"),
        ("# MHz S RI R -50\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "reference resistance is -50 ohm"),
        ("# MHz S RI R 50+2j\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "'50+2j' is not a plain number"),
        ("# MHz S RI R nan\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "'nan' is not a plain number"),
        ("# MHz S RI R\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "R is followed by 0 values"),
        ("# MHz S RI R 1 2 3\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "R is followed by 3 values"),
        ("# MHz Z RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "Z-parameters"),
        ("# MHz Y RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "Y-parameters"),
        ("# MHz G RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "G-parameters"),
        ("# MHz H RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "H-parameters"),
        ("# THz S RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "'thz' in the option line"),
        ("# MHz kHz S RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "gives the unit twice"),
        ("# MHz S RI\n1 .1 0 nan 0 .9 0 .1 0\n", 2, "'nan' is not a number"),
        ("# MHz S RI\n1 .1 0 .9 inf .9 0 .1 0\n", 2, "'inf' is not a number"),
        ("# MHz S RI\n1 .1 0 .9 1e999 .9 0 .1 0\n", 2, "'1e999' is too large"),
        ("# MHz S DB\n1 .1 0 9999 0 .9 0 .1 0\n", 2, "no finite number"),
        ("# MHz S RI\n1 .1 0 .9 1.5e- .9 0 .1 0\n", 2, "'1.5e-' is not a number"),
        ("# MHz S RI\n1 .1 0 .9 1_0 .9 0 .1 0\n", 2, "'1_0' is not a number"),
        ("# MHz S RI\n1 .1 0 .9 ٣ .9 0 .1 0\n", 2, "is not a number"),
        ("# MHz S RI\n1 0,1 0 .9 0 .9 0 .1 0\n", 2, "decimal comma"),
        ("# MHz S RI\n1 .1 0 .9 0 .9 0 .1\n", 2, "has 8 numbers"),
        ("# MHz S RI\n1 .1 0 .9 0 .9 0 .1 0\n2 .1 0\n", 3, "has 3 numbers"),
        ("# MHz S RI\n1 .1 0 .9 0\n .9 0 .1 0\n", 2, "has 5 numbers"),
        ("# MHz S RI\n1 .1 0 .9 0 .9 0 .1 0 .1 0\n", 2, "has 11 numbers"),
        ("# MHz S RI\n2 .1 0 .9 0 .9 0 .1 0\n1 .1 0 .9 0 .9 0 .1 0\n", 3, "comes after 2"),
        ("# MHz S RI\n2 .1 0 .9 0 .9 0 .1 0\n2.0 .1 0 .9 0 .9 0 .1 0\n", 3, "is repeated"),
        ("# MHz S RI\n-1 .1 0 .9 0 .9 0 .1 0\n", 2, "not above zero"),
        ("# MHz S RI\n0 .1 0 .9 0 .9 0 .1 0\n", 2, "not above zero"),
        ("# MHz S RI\n", 1, "no data"),
        ("", 1, "no option line"),
        ("! nothing\n", 1, "no option line"),
        ("# MHz S RI\n[Version] 2.0\n", 2, "does not come first"),
        ("[Number of Ports] 2\n", 1, "without [Version]"),
        ("[Version] 3.0\n", 1, "version '3.0'"),
        ("# MHz S RI\n1 .1 0 .9 0 .9 0 .1 0\x00\n", 2, "zero byte"),
        ("# MHz S RI\n1 .1 0\x0b.9 0 .9 0 .1 0\n", 2, "'0?.9' is not a number"),
        ("! Port Impedance 75 0 50 0\n# MHz S RI\n1 .1 0 .9 0 .9 0 .1 0\n", 1, "port impedances other than 50 ohm"),
        ("# MHz S RI\n1 .1 0 .9 0 .9 0 .1 0\n.5 1 1 0\n", 3, "comes after 1"),
        ("# MHz S RI\n1 .1 0 .9 0 .9 0 .1 0\n.5 1 1 0 1\n.4 1 1 0 1\n", 4, "noise data do not rise"),
        ("# MHz S RI R 75\n1 .1 0 .9 0 0 0 0 0\n", None, "S12, S22 are not measured"),
    ],
)
def test_refused_with_line_and_reason(text: str, line: int | None, reason: str) -> None:
    error = refusal(text)
    assert reason in error.message
    assert error.line == line
    assert error.file == "line.s2p"
    assert error.message.startswith("line.s2p" if line is None else f"line.s2p, line {line}:")


@pytest.mark.parametrize(
    ("old", "new", "line", "reason"),
    [
        ("[Number of Ports] 2", "[Number of Ports] 3", 5, "the file has 3 ports"),
        ("[Number of Ports] 2", "[Number of Ports] two", 5, "[number of ports] is 'two'"),
        ("[Number of Ports] 2\n", "", 9, "[number of ports] is missing"),
        ("[Two-Port Data Order] 21_12\n", "", 9, "[two-port data order] is missing"),
        ("[Two-Port Data Order] 21_12", "[Two-Port Data Order] 12", 6, "[two-port data order] is '12'"),
        ("[Number of Frequencies] 2", "[Number of Frequencies] 3", 13, "says 3, and 2 rows came"),
        ("[Number of Noise Frequencies] 2", "[Number of Noise Frequencies] 3", 16, "says 3, and 2 rows came"),
        ("[Reference] 50 25.0", "[Reference] 50", 10, "[Reference] gives 1 values"),
        ("[Reference] 50 25.0", "[Reference] 50 -25", 10, "reference resistance is -25 ohm"),
        ("[Reference]", "[Mixed-Mode Order] D1,2 C1,2\n[Reference]", 9, "mixed-mode"),
        ("[Reference]", "[Colour] red\n[Reference]", 9, "[colour] is not known"),
        ("[Reference] 50 25.0", "[Reference] 50 25.0\n[Reference] 50 25.0", 10, "stands twice"),
        ("[Network Data]\n", "2 .1 0 .1 0 .1 0 .1 0\n[Network Data]\n", 10, "before [Network Data]"),
        ("[End]\n", "[End]\n3 1\n", 17, "after [End]"),
        ("[End]\n", "[Reference] 50 50\n", 16, "stands twice"),
        ("#\n", "", 9, "no option line before [Network Data]"),
    ],
)
def test_version_2_refusals(old: str, new: str, line: int, reason: str) -> None:
    error = refusal(EX_17.replace(old, new, 1))
    assert reason in error.message
    assert error.line == line


@pytest.mark.parametrize(
    ("rows", "line"),
    [
        ("1 .1 0 .2 0 .3 0 .1 0 .2 0 .3 0 .1 0 .2 0 .3 0\n", 2),  # one line for the whole matrix
        ("1 .1 0 .2 0 .3 0\n.1 0 .2 0\n.3 0\n.1 0 .2 0 .3 0\n", 3),  # a row in two lines
        ("1 .1 0 .2 0 .3 0\n.1 0 .2 0 .3 0\n2 .1 0 .2 0 .3 0\n", 4),  # a row missing
        ("1 .1 0 .2 0 .3 0\n.1 0 .2 0 .3 0\n", 2),  # cut
        ("1 .1 0 .2 0 .3 0 .4 0\n", 2),
    ],
)
def test_three_port_rows_that_are_not_by_the_rules(rows: str, line: int) -> None:
    assert refusal("# MHz S RI R 50\n" + rows, ports=3).line == line


def test_more_than_four_pairs_in_a_line_of_version_1_is_refused() -> None:
    row = " ".join(["0 0"] * 5)
    error = refusal("# MHz S RI\n1 " + "\n".join([row] * 5) + "\n", ports=5)
    assert error.line == 2
    assert "5 pairs" in error.message


def test_changed_own_lines_are_refused() -> None:
    text = write_sweep(Sweep("x", np.array([1e6]), {"s11": np.array([0.5 + 0j])}, 2))
    assert "were changed" in refusal(text.replace("! points: 1\n", "")).message
    assert "S22 is said to be not measured" in refusal(text.replace("0.0 0.0\n", "0.0 0.1\n")).message
    assert "no trace was measured" in refusal(text.replace("S21 S12", "S11 S21 S12").replace("0.5", "0.0")).message


def test_size_is_bounded_before_anything_is_read() -> None:
    with pytest.raises(FileError, match="characters"):
        read_sweep(" " * (MAX_CHARACTERS + 1), "x", 2, "x.s2p")
    with pytest.raises(FileError, match="characters"):
        read_sweep("!" + " " * 3000, "x", 2, "x.s2p")
    with pytest.raises(FileError, match="10 ports"):
        read_sweep(EX_13, "x", 10, "x.s2p")


class Hostile:
    """Writes a file when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple[object, ...]:
        return (Path.write_text, (self.path, "executed"))


def test_a_pickle_named_s2p_executes_nothing(tmp_path: Path) -> None:
    witness = tmp_path / "witness"
    for protocol in range(pickle.HIGHEST_PROTOCOL + 1):
        data = pickle.dumps(Hostile(witness), protocol=protocol)
        for text in (data.decode("latin-1"), data.decode("utf-8", errors="replace"), data.decode("ascii", errors="ignore")):
            with pytest.raises(FileError):
                read_sweep(text, "line", 2, "hostile.s2p")
        assert not witness.exists()
    pickle.loads(data)
    assert witness.exists(), "the pickle must be live for the test to mean something"


@given(st.text(alphabet="0123456789.eE+-# \n\r\t!SRIMADBHzkG[]Version,nf", max_size=200), st.integers(1, 4))
def test_any_text_is_read_or_refused_and_nothing_else(text: str, ports: int) -> None:
    try:
        sweep = read_sweep(text, "x", ports, "x")
    except FileError:
        return
    assert sweep.frequency_hz.size >= 1
    assert all(np.isfinite(trace).all() for trace in sweep.traces.values())


@given(st.sampled_from([EX_13, EX_17, EX_18]), st.data())
def test_a_specification_example_with_anything_inserted(text: str, data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(text)))
    extra = data.draw(st.text(alphabet="0123456789.e-# \n!\x00\x1c,nan", min_size=1, max_size=6))
    try:
        sweep = read_sweep(text[:at] + extra + text[at:], "x", 2, "x")
    except FileError:
        return
    assert all(np.isfinite(trace).all() for trace in sweep.traces.values())
    assert bool((np.diff(sweep.frequency_hz) > 0).all())


# What cannot be written


@pytest.mark.parametrize(
    ("hz", "traces", "ports"),
    [
        ([1e6], {}, 2),
        ([], {"s11": []}, 1),
        ([1e6], {"s11": [1.0, 2.0]}, 1),
        ([1e6], {"s11": [float("nan")]}, 1),
        ([1e6, 1e6], {"s11": [1.0, 2.0]}, 1),
        ([0.0], {"s11": [1.0]}, 1),
        ([float("inf")], {"s11": [1.0]}, 1),
        ([1e6], {"s11": [1.0], "s22": [1.0]}, 1),
        ([1e6], {"s21": [1.0]}, 1),
        ([1e6], {"s33": [1.0]}, 2),
        ([1e6], {"s11": [1.0]}, 0),
        ([1e6], {"s11": [1.0]}, 10),
    ],
)
def test_what_is_no_file_is_not_written(hz: list[float], traces: dict[str, list[float]], ports: int) -> None:
    arrays = {key: np.array(values, dtype=np.complex128) for key, values in traces.items()}
    with pytest.raises(DataError):
        write_sweep(Sweep("x", np.array(hz), arrays, ports))


def test_too_many_comments_are_not_written() -> None:
    with pytest.raises(DataError, match="comments"):
        write_sweep(Sweep("x", np.array([1e6]), {"s11": np.array([0j])}, 1, ("a",) * 1000))
