"""VISA links: the real backend against a small HiSLIP server, and the guard around it on a fake."""

from __future__ import annotations

import socket
import threading
import types
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, nullcontext
from typing import Any

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from drivers.analyser import DialectAnalyser
from drivers.links import open_link
from drivers.visa_link import VisaLink
from harness.errors import LinkError, ReplyTimeout
from harness.records import Grid
from tests.analyser_contract import AnalyserContract, ContractBench
from tests.fake_hislip import hislip
from tests.fake_links import FakeScpi, dialect
from tests.link_fault_bench import PatientAnalyser

GRID = Grid(1e6, 2e6, 21)
REFUSED = Grid(1e6, 4e9, 21)


class FakeVisa:
    """A resource manager, its library and one resource: messages with an end, a device clear, a backend's time limits."""

    def __init__(self, model: Callable[[bytes], bytes], newline: bool = True) -> None:
        self.model, self.newline = model, newline
        self.waiting = b""
        self.timeouts: list[int] = []
        self.clears = 0
        self.session = 7
        self.open = True
        self.visalib = self

    def open_resource(self, resource: str, **options: Any) -> FakeVisa:
        return self

    @property
    def timeout(self) -> int:
        return self.timeouts[-1]

    @timeout.setter
    def timeout(self, value: int) -> None:
        self._look()
        self.timeouts.append(value)

    def write_raw(self, data: bytes) -> None:
        self._look()
        reply = self.model(data)
        self.waiting = reply if self.newline else reply.removesuffix(b"\n")

    def read(self, session: int, count: int) -> tuple[bytes, StatusCode]:
        self._look()
        if not self.waiting:
            raise pyvisa.VisaIOError(StatusCode.error_timeout)
        data, self.waiting = self.waiting[:count], self.waiting[count:]
        return data, StatusCode.success_max_count_read if self.waiting else StatusCode.success

    def ignore_warning(self, *codes: StatusCode) -> nullcontext[None]:
        return nullcontext()

    def clear(self) -> None:
        self.clears += 1
        self.waiting = b""

    def close(self) -> None:
        self.open = False

    def _look(self) -> None:
        if not self.open:
            raise pyvisa.errors.InvalidSession


class TestOverVisa(AnalyserContract):
    @pytest.fixture(params=[True, False], ids=["newline and end", "end alone"])
    def bench(self, request: pytest.FixtureRequest) -> ContractBench:
        link = VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=FakeVisa(FakeScpi(), request.param))
        device = DialectAnalyser(link, dialect("scpi-simulated"), margin_s=10.0)
        return ContractBench(device, GRID, ("s11", "s21"), REFUSED)


class TestOverHislip(AnalyserContract):
    """The real backend against a small HiSLIP server."""

    @pytest.fixture
    def bench(self) -> Iterator[ContractBench]:
        with hislip(FakeScpi()) as address:
            device = DialectAnalyser(open_link(address), dialect("scpi-simulated"), margin_s=10.0)
            yield ContractBench(device, GRID, ("s11", "s21"), REFUSED)
            device.close()


def test_hislip_carries_long_blocks_in_pieces_and_finds_its_place_after_a_timeout() -> None:
    model = FakeScpi()
    silent: list[bytes] = []

    def answer(data: bytes) -> bytes:
        if silent and data == silent[0]:
            silent.clear()
            return b""
        return model(data)

    with hislip(answer) as address, closing(open_link(address)) as link:
        device = PatientAnalyser(link, dialect("scpi-simulated"), margin_s=30.0)
        device.set_up(Grid(1e6, 2e6, 1601))
        wanted = device.sweep(("s11",))["s11"]
        silent.append(b"TRACe:DATA? S11\n")
        device.allow(0.5)
        with pytest.raises(ReplyTimeout):
            device.sweep(("s11",))
        device.allow(30.0)
        assert device.sweep(("s11",))["s11"] == pytest.approx(wanted, abs=1e-4)
        assert "# device clear" in device.transcript.text()


def test_visa_waits_for_the_first_byte_alone_and_in_slices() -> None:
    visa = FakeVisa(lambda data: b"12345\n")
    link = VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=visa)
    assert link.read(0.25) == b""
    link.write(b"x?\n")
    visa.timeouts.clear()
    assert link.read(0.25) == b"12345\n"
    assert visa.timeouts == [250, 5000]


def test_a_visa_message_that_breaks_off_is_an_error_and_no_shorter_number() -> None:
    visa = FakeVisa(lambda data: b"12345\n")
    link = VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=visa)
    link.write(b"x?\n")
    whole, calls = visa.read, []

    def broken(session: int, count: int) -> tuple[bytes, StatusCode]:
        calls.append(count)
        if len(calls) == 2:
            raise pyvisa.VisaIOError(StatusCode.error_timeout)
        return whole(session, count)

    visa.visalib = types.SimpleNamespace(read=broken)  # type: ignore[assignment]  # the one method that is used
    with pytest.raises(LinkError, match="broke off"):
        link.read(0.25)


def test_a_backend_that_waits_beyond_its_own_limit_holds_nobody_up() -> None:
    visa, let_go = FakeVisa(lambda data: b"12345\n"), threading.Event()
    link = VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=visa)
    link.write(b"x?\n")
    whole = visa.read

    def late(session: int, count: int) -> tuple[bytes, StatusCode]:
        assert let_go.wait(20)
        return whole(session, count)

    visa.visalib = types.SimpleNamespace(read=late)  # type: ignore[assignment]  # the one method that is used
    assert link.read(0.001) == link.read(0.001) == b""
    let_go.set()
    assert next(filter(None, (link.read(0.25) for _ in range(80)))) == b"12345\n"
    assert visa.timeouts[-1] == 5000
    link.close()


def test_a_reply_of_a_read_that_was_given_up_is_dropped_before_the_next_question() -> None:
    visa = FakeVisa(lambda data: data)
    link = VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=visa)
    link.write(b"old\n")
    link.read(0.0)
    link.drain()
    link.write(b"new\n")
    assert next(filter(None, (link.read(0.25) for _ in range(80)))) == b"new\n"
    link.close()


@pytest.mark.parametrize("resource", ["ASRL3::INSTR", "GPIB0::16::INSTR"])
def test_a_visa_link_without_a_checksum_says_so(resource: str) -> None:
    assert not VisaLink("visa://x", resource, 5.0, manager=FakeVisa(lambda data: b"")).checked
    assert VisaLink("visa://x", "USB0::0x1234::0x5678::SN1::INSTR", 5.0, manager=FakeVisa(lambda data: b"")).checked


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (StatusCode.error_resource_not_found, "there is no such instrument"),
        (StatusCode.error_connection_lost, "the connection is lost"),
        (StatusCode.error_resource_locked, "locked"),
        (StatusCode.error_io, "VI_ERROR_IO"),
    ],
)
def test_visa_errors_become_link_errors(code: StatusCode, says: str) -> None:
    def fail(data: bytes) -> bytes:
        raise pyvisa.VisaIOError(code)

    link = VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=FakeVisa(fail))
    with pytest.raises(LinkError, match=says) as caught:
        link.write(b"x\n")
    assert caught.value.hint


def test_a_visa_address_that_is_none_is_one_clear_error() -> None:
    with pytest.raises(LinkError, match="opening visa://NONSENSE::INSTR: it is no VISA resource"):
        open_link("visa://NONSENSE::INSTR")


@pytest.mark.parametrize("says", [b"", b"SSH-2.0-something\r\n", b"HS"])
def test_a_port_where_no_hislip_is_spoken_holds_nobody_up(says: bytes) -> None:
    """The backend waits for each byte anew; the whole opening has a deadline of its own, and nothing stays open."""
    before = set(threading.enumerate())
    with socket.create_server(("127.0.0.1", 0)) as listener, ExitStack() as peers:

        def take() -> None:
            peer = peers.enter_context(listener.accept()[0])
            peer.sendall(says)

        other = threading.Thread(target=take)
        other.start()
        resource = f"TCPIP::127.0.0.1::hislip0,{listener.getsockname()[1]}::INSTR"
        with pytest.raises(LinkError, match=f"^opening visa://{resource}") as caught:
            VisaLink(f"visa://{resource}", resource, 0.0, patience_s=0.4)
        assert caught.value.hint
        for thread in set(threading.enumerate()) - before:
            thread.join(20)
            assert not thread.is_alive(), thread.name


def test_a_visa_resource_that_does_not_open_is_one_clear_error() -> None:
    class Absent:
        def open_resource(self, resource: str, **options: Any) -> FakeVisa:
            raise pyvisa.VisaIOError(StatusCode.error_resource_not_found)

    class Lacking:
        def open_resource(self, resource: str, **options: Any) -> FakeVisa:
            raise ValueError("Please install a library to use this resource type.")

    with pytest.raises(LinkError, match="opening visa://X::INSTR: there is no such instrument"):
        VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=Absent())
    with pytest.raises(LinkError, match="Please install") as caught:
        VisaLink("visa://X::INSTR", "X::INSTR", 5.0, manager=Lacking())
    assert "Install what the message names" in caught.value.hint
