"""The simulated bench behind its real links: a pseudo-terminal and a TCP socket, spoken to by pyserial and by our own driver."""

from __future__ import annotations

import contextlib
import itertools
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import serial

from drivers.analyser import DialectAnalyser
from drivers.links import open_link
from drivers.simulated import Served, SimulatedBench, serve, start
from drivers.simulated.languages import Model, language_of
from harness.errors import LinkError, ReplyTimeout, UsageError
from harness.records import Grid, Trace
from sequences import hookups
from tests.analyser_contract import AnalyserContract, ContractBench
from tests.fake_links import dialect
from tests.simulated_texts import QUIET, bench_of, hf30

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="this platform has no pseudo-terminals")
ONE: tuple[Trace, ...] = ("s11", "s21")
ALL: tuple[Trace, ...] = ("s11", "s21", "s12", "s22")
BENCHES = [pytest.param("serial", marks=needs_pty), "scpi", "two-path"]


def port_of(served: Served) -> serial.SerialBase:
    """Return the link opened by pyserial alone; a read waits for 20 s at most."""
    address = served.address.removeprefix("serial://")
    return serial.serial_for_url(address, timeout=20)


def analyser_of(served: Served) -> DialectAnalyser:
    bench = served.bench.bench
    return DialectAnalyser(
        open_link(served.address),
        dialect(bench.analyser.dialect),
        paths=bench.analyser.paths,
        point_time_s=bench.sweep.point_time,
        margin_s=20.0,
    )


@contextlib.contextmanager
def opened(which: str, extra: str = "") -> Iterator[tuple[Served, DialectAnalyser]]:
    with start(bench_of(which, extra), hf30()) as served:
        served.bench.insert_unit("CL-0001")
        analyser = analyser_of(served)
        try:
            yield served, analyser
        finally:
            analyser.close()


# -- pyserial alone --------------------------------------------------------------------------------------------------------------


@needs_pty
def test_plain_serial_over_a_pseudo_terminal() -> None:
    with start(bench_of("serial")) as served, port_of(served) as port:
        assert served.address.startswith("serial:///dev/")
        port.write(b"who\n")
        assert port.read_until(b"ok: ") == b"tapproof,simulated analyser one-path,1,1\r\nok: "
        port.write(b"span 1000000 100000000 2001\ntake\ngamma\n")
        answer = b"".join(port.read_until(b"ok: ") for _ in range(3))
        # 2001 lines are far more than a terminal's buffer holds; none may be lost.
        assert answer.count(b"\r\n") == 2001


@pytest.mark.parametrize("which", ["scpi", "two-path"])
def test_scpi_over_a_socket(which: str) -> None:
    with start(bench_of(which)) as served, port_of(served) as port:
        assert served.address.startswith("socket://127.0.0.1:")
        port.write(b"*IDN?\n")
        assert port.read_until(b"\n").startswith(b"tapproof,simulated analyser ")
        port.write(b"FORM REAL,64;:SWE:POIN 20001;:INIT;*OPC?\n")
        assert port.read_until(b"\n") == b"1\n"
        port.write(b"TRAC? S21\n")
        block = port.read(2 + 6 + 20001 * 16 + 1)
        assert block.startswith(b"#6320016")
        assert block.endswith(b"\n")


def test_the_next_client_is_served_and_half_a_message_is_forgotten() -> None:
    with start(bench_of()) as served:
        with port_of(served) as port:
            port.write(b"SWE:POIN 33;POIN?\nNO:SU")
            assert port.read_until(b"\n") == b"33\n"
        with port_of(served) as port:
            port.write(b"SWE:POIN?;:SYST:ERR?\n")
            assert port.read_until(b"\n") == b'33;0,"No error"\n'


def test_a_client_that_does_not_read_harms_nothing() -> None:
    with start(bench_of()) as served:
        with port_of(served) as port:
            port.write(b"SWE:POIN 20001;:INIT\n" + b"TRAC? S11\n" * 10)
        with port_of(served) as port:
            port.write(b"*OPC?\n")
            assert port.read_until(b"\n") == b"1\n"


@needs_pty
def test_closing_a_pseudo_terminal_with_unread_answers_does_not_hang() -> None:
    served = start(bench_of("serial"))
    with port_of(served) as port:
        port.write(b"span 1000000 100000000 20001\ntake\ngamma\n")
        assert port.read(1)
        served.close()


@pytest.mark.parametrize("which", BENCHES)
def test_closing_leaves_nothing_behind(which: str) -> None:
    threads, descriptors = threading.active_count(), open_descriptors()
    for _ in range(2):
        served = start(bench_of(which))
        with port_of(served) as port:
            port.write(b"who\n*IDN?\n")
            assert port.read_until(b"\n")
        served.close()
        served.close()
    assert threading.active_count() == threads
    assert open_descriptors() == descriptors


def open_descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir())) if sys.platform == "linux" else 0


def test_nobody_listens_after_closing() -> None:
    with start(bench_of()) as served:
        port = int(served.address.rpartition(":")[2])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=20)


def test_an_instrument_that_is_still_starting_answers_later() -> None:
    """The clock of this test goes on by a millisecond at each look; nothing is heard before three of them have gone."""
    looks = itertools.count()
    link = serve(language_of(SimulatedBench(bench_of())), "tcp", ready_delay=0.003, clock=lambda: next(looks) * 1e-3)
    with contextlib.closing(link), serial.serial_for_url(link.address, timeout=20) as port:
        port.write(b"*OPC?\n")
        assert port.read_until(b"\n") == b"1\n"
        assert next(looks) >= 3
    delayed = bench_of(extra='ready_delay = "1 ms"\n')
    with start(delayed) as served, port_of(served) as port:
        port.write(b"*OPC?\n")
        assert port.read_until(b"\n") == b"1\n"


def test_something_may_stand_between_instrument_and_link() -> None:
    class Shouting:
        def __init__(self, inner: Model) -> None:
            self.inner = inner

        def receive(self, data: bytes) -> bytes:
            return self.inner.receive(data).upper()

        def hang_up(self) -> None:
            self.inner.hang_up()

    with start(bench_of(), between=Shouting) as served, port_of(served) as port:
        port.write(b"*IDN?\n")
        assert port.read_until(b"\n") == b"TAPPROOF,SIMULATED ANALYSER ONE-PATH,2,1\n"


def test_links_that_are_not_simulated_are_refused() -> None:
    for link in ("simulated://pigeon", "pigeon", "simulated://TCP"):
        with pytest.raises(UsageError, match="simulated link"):
            start(bench_of(), link=link)
    for link in ("tcp", "simulated://", "simulated://tcp"):
        with start(bench_of("serial"), link=link) as served:
            assert served.address.startswith("socket://")


# -- our own driver --------------------------------------------------------------------------------------------------------------


class Contract(AnalyserContract):
    which = ""
    traces: tuple[Trace, ...] = ONE

    @pytest.fixture
    def bench(self) -> Iterator[ContractBench]:
        with opened(self.which) as (_, analyser):
            yield ContractBench(analyser, Grid(1e6, 100e6, 41), self.traces, Grid(1e6, 4e9, 41))


@needs_pty
class TestSerial(Contract):
    which = "serial"


class TestScpi(Contract):
    which = "scpi"


class TestTwoPath(Contract):
    which = "two-path"
    traces = ALL


@pytest.mark.parametrize("which", BENCHES)
def test_the_driver_reads_what_the_bench_shows(which: str) -> None:
    with opened(which) as (served, analyser):
        same = SimulatedBench(bench_of(which), hf30())
        same.insert_unit("CL-0001")
        grid = same.bench.grid
        analyser.identify()
        settings = analyser.set_up(grid)
        np.testing.assert_allclose(settings.frequency_hz, grid.frequencies(), rtol=0, atol=1e-3)
        for hookup in (hookups.THRU, hookups.COUPLED):
            served.bench.connect(hookup)
            same.connect(hookup)
            found = analyser.sweep(same.traces)
            expected = same.raw(same.traces, grid)
            for trace in same.traces:
                np.testing.assert_allclose(found[trace], expected[trace], rtol=1e-11, atol=1e-14)


@pytest.mark.parametrize("which", BENCHES)
def test_unplugged_is_a_clear_error(which: str) -> None:
    with opened(which, QUIET) as (served, analyser):
        analyser.set_up(Grid(1e6, 100e6, 11))
        served.close()
        with pytest.raises((LinkError, ReplyTimeout)) as caught:
            analyser.sweep(ONE)
        assert caught.value.hint
