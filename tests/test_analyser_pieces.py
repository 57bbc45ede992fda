"""Sweeps in pieces, analysers that correct themselves, averaging, double reading, and links that come back.

The points of a piece against numpy's linspace and geomspace of the whole; the rest is the project's own rule.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.analyser import DialectAnalyser, Options
from drivers.pieces import FEWEST, OVERLAP, Traces, is_repeated, join, longest_repeat, split
from drivers.simulated.languages import language_of
from drivers.simulated.link_faults import LinkFault, Spoiler, flipped
from harness.errors import FileError, LinkError, ReplyError, UsageError
from harness.records import Grid, parse_bench
from sequences import hookups
from tests.analyser_contract import AnalyserContract, ContractBench
from tests.fake_links import FakeClock, FakePlain, FakeScpi, FakeTransport, at_once, dialect
from tests.link_fault_bench import RecordingBench, VirtualTransport, VirtualWire
from tests.simulated_texts import TEXTS, bench_of

GRID = Grid(1e6, 100e6, 101)


@given(st.integers(2, 3000), st.integers(FEWEST, 500), st.sampled_from(["linear", "log"]))
def test_pieces_cover_the_grid_and_share_two_points(points: int, most: int, spacing: str) -> None:
    grid = Grid(1e6, 1e9, points, "log" if spacing == "log" else "linear", 3)
    whole = grid.frequencies()
    pieces = split(grid, most)
    assert all(piece.grid.points <= most or len(pieces) == 1 for piece in pieces)
    assert (len(pieces) == 1) == (points <= most)
    covered = 0
    for piece in pieces:
        assert piece.first == max(covered - OVERLAP, 0)
        covered = piece.first + piece.grid.points
        assert (piece.grid.averages, piece.grid.spacing) == (3, spacing)
        np.testing.assert_allclose(piece.grid.frequencies(), whole[piece.first : covered], rtol=1e-12)
    assert covered == points


@given(st.integers(10, 300), st.integers(FEWEST, 60))
def test_joined_pieces_are_the_whole(points: int, most: int) -> None:
    grid = Grid(1e6, 1e9, points)
    values = np.exp(1j * np.arange(points) / 7) / 2
    pieces = split(grid, most)
    swept: list[Traces] = [{"s11": values[piece.first : piece.first + piece.grid.points]} for piece in pieces]
    assert np.array_equal(join(grid, pieces, swept)["s11"], values)


def test_pieces_that_disagree_where_they_meet_are_refused() -> None:
    grid = Grid(1e6, 1e9, 20)
    pieces = split(grid, 12)
    near: list[Traces] = [{"s11": np.full(piece.grid.points, 0.5 + 0.009j * n)} for n, piece in enumerate(pieces)]
    assert join(grid, pieces, near)["s11"].shape == (20,)
    far: list[Traces] = [{"s21": np.full(piece.grid.points, 0.5 + 0.011j * n)} for n, piece in enumerate(pieces)]
    where = r"S21 at 474\.\d+ MHz, where two pieces of the sweep meet: 0\.011 apart \(allowed: 0\.01\)"
    with pytest.raises(ReplyError, match=where):
        join(grid, pieces, far)


def test_a_repeat_is_found_in_a_part_and_not_in_noise() -> None:
    rng = np.random.default_rng(1)
    before, now = (rng.normal(size=200) + 1j * rng.normal(size=200) for _ in range(2))
    assert longest_repeat(before, now) == 0
    half = np.concatenate([now[:100], before[100:]])
    assert longest_repeat(before, half) == 100
    assert is_repeated({"s11": before}, {"s11": half, "s21": now}) == "s11"
    few = np.concatenate([now[:180], before[180:]])
    assert is_repeated({"s11": before}, {"s11": few}) is None
    assert longest_repeat(np.zeros(50, complex), np.zeros(50, complex)) == 0
    assert longest_repeat(before, before[:100]) == 0


class Virtual:
    """A simulated bench on a virtual wire."""

    def __init__(self, which: str, text: str = "", options: Options | None = None, kind: str = "stream") -> None:
        self.bench = RecordingBench(parse_bench(text, which) if text else bench_of(which))
        self.spoiler = Spoiler(lambda: language_of(self.bench), self.bench.identity)
        self.clock = FakeClock()
        self.wire = VirtualWire(self.spoiler, self.clock)
        self.bench.connect(hookups.THRU)
        spoken = dialect("plain-serial" if which == "serial" else "scpi-simulated")
        self.analyser = DialectAnalyser(
            VirtualTransport(self.wire, "message" if kind == "message" else "stream", which != "serial"),
            spoken,
            options=options,
            clock=self.clock,
            pause=lambda seconds: None,
        )


def limited(which: str, most: int) -> str:
    return TEXTS[which].replace('connector = "BNC"\n', f'connector = "BNC"\nmax_points = {most}\n', 1)


@pytest.mark.parametrize("which", ["serial", "scpi"])
def test_a_grid_longer_than_the_instrument_takes_is_swept_in_pieces(which: str) -> None:
    found = Virtual(which, limited(which, 40), Options(max_points=40))
    with pytest.raises(Exception, match=r"POINTS from 2 to 40|-222"):
        Virtual(which, limited(which, 40)).analyser.set_up(GRID)
    said = found.analyser.set_up(GRID)
    np.testing.assert_allclose(said.frequency_hz, GRID.frequencies(), rtol=0, atol=1e-3)
    assert {key.rpartition(" (")[2] for key in said.said} == {"piece 1 of 3)", "piece 2 of 3)", "piece 3 of 3)"}
    swept = found.analyser.sweep(("s11", "s21"))
    assert found.bench.sweeps == 3
    ideal = RecordingBench(bench_of(which))
    ideal.connect(hookups.THRU)
    expected = ideal.raw(("s11", "s21"), GRID)
    for trace, values in swept.items():
        assert values.shape == (101,)
        np.testing.assert_allclose(values, expected[trace], atol=5e-4)


class TestInPieces(AnalyserContract):
    """The whole contract with an instrument of 11 points at most."""

    @pytest.fixture(params=["serial", "scpi"])
    def bench(self, request: pytest.FixtureRequest) -> ContractBench:
        found = Virtual(request.param, limited(request.param, 11), Options(max_points=11))
        return ContractBench(found.analyser, Grid(1e6, 100e6, 41), ("s11", "s21"), Grid(1e6, 4e9, 41))


def test_a_log_grid_is_swept_in_pieces_where_the_instrument_can_and_refused_where_it_cannot() -> None:
    grid = replace(GRID, spacing="log")
    found = Virtual("scpi", limited("scpi", 40), Options(max_points=40))
    np.testing.assert_allclose(found.analyser.set_up(grid).frequency_hz, grid.frequencies(), rtol=0, atol=1e-3)
    with pytest.raises(UsageError, match="no word for log spacing"):
        Virtual("serial", limited("serial", 40), Options(max_points=40)).analyser.set_up(grid)


def test_a_cable_that_moves_between_two_pieces_is_noticed() -> None:
    found = Virtual("scpi", limited("scpi", 60), Options(max_points=60))
    found.analyser.set_up(GRID)

    whole = found.bench.raw

    def raw(traces: object, grid: Grid, averages: int | None = None) -> Traces:
        swept = whole(("s11", "s21"), grid, averages)
        found.bench.connect(hookups.standard("short"))
        return swept

    found.bench.raw = raw  # type: ignore[method-assign]  # the hand moves a cable in the middle
    with pytest.raises(ReplyError, match="where two pieces of the sweep meet"):
        found.analyser.sweep(("s11", "s21"))


# -- an analyser that corrects itself --------------------------------------------------------------------------------------------

SELF = TEXTS["scpi"].replace("[standards.short]", '[correction]\nby = "analyser"\n\n[standards.short]', 1)
ITSELF = Options(corrects_itself=True)


def test_an_analyser_that_corrects_itself_is_asked_before_every_sweep() -> None:
    found = Virtual("scpi", SELF, ITSELF)
    found.analyser.set_up(GRID)
    through = found.analyser.sweep(("s11", "s21"))
    assert float(np.max(np.abs(np.abs(through["s21"]) - 1))) < 0.02
    found.spoiler.receive(b"SENS:CORR OFF\n")
    with pytest.raises(ReplyError, match=r"changed since the set-up: SENSe:CORRection:STATe\? said '1', now '0'"):
        found.analyser.sweep(("s11",))
    with pytest.raises(ReplyError, match="says that it does not: SENSe:CORRection:STATe"):
        found.analyser.set_up(GRID)


def test_a_reset_takes_the_correction_and_setting_up_again_does_not_bring_it_back() -> None:
    found = Virtual("scpi", SELF, ITSELF)
    found.analyser.set_up(GRID)
    found.spoiler.receive(b"*RST\n")
    with pytest.raises(ReplyError, match="settings changed since the set-up"):
        found.analyser.sweep(("s11",))
    with pytest.raises(ReplyError, match="it says that it does not"):
        found.analyser.set_up(GRID)


def test_an_analyser_that_was_never_calibrated_cannot_switch_its_correction_on() -> None:
    found = Virtual("scpi")
    found.spoiler.receive(b"SENS:CORR ON\n")
    assert found.spoiler.receive(b"SENS:CORR?;:SYST:ERR?\n") == b'0;-221,"Settings conflict"\n'


def test_a_dialect_that_cannot_ask_for_the_correction_is_refused_with_an_analyser_that_corrects_itself() -> None:
    with pytest.raises(UsageError, match=r"the dialect plain-serial has no \[correction\]"):
        DialectAnalyser(FakeTransport(at_once(FakePlain())), dialect("plain-serial"), options=ITSELF)


def test_a_grid_is_not_cut_on_an_analyser_that_corrects_itself() -> None:
    options = replace(ITSELF, max_points=40)
    with pytest.raises(UsageError, match="its correction holds for one sweep only"):
        Virtual("scpi", SELF, options).analyser.set_up(GRID)


# -- the rest -------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["serial", "scpi"])
def test_averaging_lowers_the_noise_by_its_square_root(which: str) -> None:
    """Averaging N independent readings divides their standard deviation by √N (any textbook of statistics)."""
    text = TEXTS[which] + 'noise = "-50 dB"\ndrift = "-300 dB"\n'

    def spread(averages: int) -> float:
        found = Virtual(which, text)
        found.analyser.set_up(Grid(1e6, 100e6, 401, averages=averages))
        one, other = (found.analyser.sweep(("s11",))["s11"] for _ in range(2))
        return float(np.std(one - other))

    assert spread(1) / spread(16) == pytest.approx(4, rel=0.15)


def test_the_bench_file_asks_for_double_reading_and_pieces() -> None:
    plain = parse_bench(TEXTS["scpi"], "x").analyser
    assert (plain.double_reading, plain.max_points) == (False, None)
    text = limited("scpi", 201).replace("max_points", "double_reading = true\nmax_points", 1)
    entry = parse_bench(text, "x").analyser
    assert (entry.double_reading, entry.max_points) == (True, 201)
    with pytest.raises(FileError, match="max_points"):
        parse_bench(limited("scpi", 3), "x")


@pytest.mark.parametrize("double", [False, True])
def test_each_trace_is_read_twice_where_it_is_asked_for(double: bool) -> None:
    transport = FakeTransport(at_once(FakeScpi()))
    device = DialectAnalyser(transport, dialect("scpi-simulated"), options=Options(double_reading=double), clock=transport.clock)
    device.set_up(Grid(1e6, 2e6, 21))
    device.sweep(("s11",))
    assert transport.sent.count(b"TRACe:DATA? S11\n") == (2 if double else 1)


def test_a_link_that_vanished_is_an_error_where_nobody_can_open_it_again() -> None:
    found = Virtual("scpi")
    found.analyser.set_up(GRID)
    found.wire.away = True
    with pytest.raises(LinkError, match="the device is gone"):
        found.analyser.sweep(("s11",))


def test_a_bit_that_flips_in_every_second_reading_ends_in_an_error() -> None:
    found = Virtual("scpi", options=Options(double_reading=True))
    found.analyser.set_up(GRID)
    # A fault counts the messages that no earlier one has struck: 1st, 3rd and 5th reading.
    found.spoiler.arm(*(LinkFault("TRACe:DATA? S11", flipped(0.5, 1), skip=skip) for skip in (0, 1, 2)))
    with pytest.raises(ReplyError, match="read 5 times, and no two readings in a row agree"):
        found.analyser.sweep(("s11",))
