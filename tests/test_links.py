"""Links: addresses, the table of foreign exceptions, real loopback sockets and pseudo-terminals."""

from __future__ import annotations

import errno
import os
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
import serial

from drivers.analyser import DialectAnalyser
from drivers.links import SerialAddress, SocketAddress, VisaAddress, link_error, open_link, parse_address
from harness.errors import LinkError, UsageError
from harness.records import Grid
from tests.analyser_contract import AnalyserContract, ContractBench
from tests.fake_links import FakePlain, FakeScpi, dialect

GRID = Grid(1e6, 2e6, 21)
REFUSED = Grid(1e6, 4e9, 21)


@pytest.mark.parametrize(
    ("address", "means"),
    [
        ("serial:///dev/ttyACM0?baud=9600", SerialAddress("/dev/ttyACM0", 9600)),
        ("serial:///dev/serial/by-id/usb-x", SerialAddress("/dev/serial/by-id/usb-x")),
        ("serial://COM5", SerialAddress("COM5")),
        ("serial://COM5?baud=57600&bits=7&parity=even&stop=2&flow=rtscts", SerialAddress("COM5", 57600, 7, "even", 2, "rtscts")),
        ("socket://192.0.2.7:5025", SocketAddress("192.0.2.7", 5025)),
        ("socket://[2001:db8::7]:5025", SocketAddress("2001:db8::7", 5025)),
        ("visa://TCPIP::192.0.2.7::hislip0::INSTR", VisaAddress("TCPIP::192.0.2.7::hislip0::INSTR")),
        ("visa://USB0::0x1234::0x5678::SN1::INSTR", VisaAddress("USB0::0x1234::0x5678::SN1::INSTR")),
        ("visa://TCPIP0::192.0.2.7::5025::SOCKET", SocketAddress("192.0.2.7", 5025)),
    ],
)
def test_addresses_are_understood(address: str, means: object) -> None:
    assert parse_address(address) == means


@pytest.mark.parametrize(
    "address",
    [
        "",
        "/dev/ttyACM0",
        "serial://",
        "serial://dev/ttyACM0",
        "serial:///dev/ttyACM0?baud=fast",
        "serial:///dev/ttyACM0?baud=9600&colour=blue",
        "serial:///dev/ttyACM0?parity=maybe",
        "serial:///dev/ttyACM0?baud",
        "socket://192.0.2.7",
        "socket://192.0.2.7:0",
        "socket://192.0.2.7:99999",
        "socket://:5025",
        "socket://192.0.2.7:5025/path",
        "socket://[::1:5025",
        "visa://TCPIP::192.0.2.7",
        "visa://TCPIP::192.0.2.7::99999::SOCKET",
        "gopher://192.0.2.7:70",
        "socket://192.0.2.7:5025\n",
        "simulated://",
    ],
)
def test_an_address_that_does_not_parse_is_a_usage_error_with_examples(address: str) -> None:
    with pytest.raises(UsageError, match="cannot be used") as caught:
        open_link(address)
    assert "serial:///dev/ttyACM0" in caught.value.hint


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(errno.EIO, "Input/output error"), "the device is gone"),
        (serial.SerialException(errno.ENOENT, "could not open port"), "there is no such device"),
        (serial.SerialException("device reports readiness to read but returned no data"), "returned no data"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), "nothing listens there"),
        (OSError(errno.ENOTTY, "Inappropriate ioctl for device"), "it is no serial port"),
        (TimeoutError("timed out"), "nothing answers there"),
        (PermissionError(errno.EACCES, "denied"), "it may not be opened"),
        (RuntimeError(), "RuntimeError"),
    ],
)
def test_foreign_exceptions_become_link_errors_by_the_table(error: BaseException, says: str) -> None:
    found = link_error("serial:///dev/x", "reading from", error)
    assert found.message.startswith("reading from serial:///dev/x: ")
    assert says in found.message
    assert found.hint


@pytest.mark.skipif(sys.platform == "win32", reason="termios is of POSIX systems")
def test_a_termios_error_which_is_no_os_error_is_known_by_its_number() -> None:
    import termios

    assert not issubclass(termios.error, OSError)
    assert "the device is gone" in link_error("x", "reading from", termios.error(errno.EIO, "Input/output error")).message


def test_a_port_that_is_not_there_is_one_clear_error() -> None:
    with pytest.raises(LinkError, match="opening serial:///dev/no-such-port: there is no such device"):
        open_link("serial:///dev/no-such-port")


@pytest.mark.skipif(sys.platform == "win32", reason="a POSIX system opens any file as a port")
def test_a_file_that_is_no_port_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "no-port"
    path.write_text("x")
    with pytest.raises(LinkError, match="it is no serial port"):
        open_link(f"serial://{path}")


def test_a_socket_where_nothing_listens_is_one_clear_error() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(LinkError, match=f"opening socket://127.0.0.1:{port}: nothing listens there"):
        open_link(f"socket://127.0.0.1:{port}")


@contextmanager
def served(model: Callable[[bytes], bytes]) -> Iterator[str]:
    """The model behind a real TCP socket, for one client; yields the address."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            peer, _ = listener.accept()
            with peer:
                while data := peer.recv(4096):
                    peer.sendall(model(data))

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
        finally:
            with closing(socket.socket()) as last:
                last.connect_ex(listener.getsockname())
            thread.join(10)
            assert not thread.is_alive()


class TestOverASocket(AnalyserContract):
    @pytest.fixture
    def bench(self) -> Iterator[ContractBench]:
        with served(FakeScpi()) as address:
            device = DialectAnalyser(open_link(address), dialect("scpi-simulated"), margin_s=10.0)
            yield ContractBench(device, GRID, ("s11", "s21"), REFUSED)
            device.close()


def test_a_peer_that_closes_is_noticed_at_once() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        link = open_link(f"visa://TCPIP::127.0.0.1::{listener.getsockname()[1]}::SOCKET")
        peer, _ = listener.accept()
        peer.sendall(b"last words")
        assert link.read(0.25) == b"last words"
        peer.close()
        with pytest.raises(LinkError, match="closed the connection"):
            link.read(0.25)
        with pytest.raises(LinkError):
            link.write(b"x")
        with pytest.raises(LinkError):
            link.read(0.25)
        link.close()


def test_a_socket_drains_what_has_come() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        link = open_link(f"socket://127.0.0.1:{listener.getsockname()[1]}")
        peer, _ = listener.accept()
        with peer:
            peer.sendall(b"old")
            link.write(b"seen?")
            assert peer.recv(10) == b"seen?"
            link.drain()
            peer.sendall(b"new")
            assert link.read(0.25) == b"new"
            assert link.read(0.0) == b""
            link.close()


needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="this platform has no pseudo-terminals")


@contextmanager
def terminal(model: Callable[[bytes], bytes]) -> Iterator[tuple[str, Callable[[], None]]]:
    """The model behind a raw pseudo-terminal; yields (address, unplug)."""
    import tty

    master, slave = os.openpty()
    tty.setraw(slave)
    address = f"serial://{os.ttyname(slave)}"
    stop_read, stop_write = os.pipe()
    unplugged = threading.Event()

    def serve() -> None:
        import select

        while True:
            ready, _, _ = select.select([master, stop_read], [], [])
            if stop_read in ready:
                return
            os.write(master, model(os.read(master, 4096)))

    def unplug() -> None:
        if not unplugged.is_set():
            unplugged.set()
            os.write(stop_write, b"x")
            thread.join(10)
            os.close(slave)
            os.close(master)

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield address, unplug
    finally:
        unplug()
        assert not thread.is_alive()
        os.close(stop_read)
        os.close(stop_write)


@needs_pty
class TestOverATerminal(AnalyserContract):
    @pytest.fixture
    def bench(self) -> Iterator[ContractBench]:
        with terminal(FakePlain()) as (address, _):
            device = DialectAnalyser(open_link(address), dialect("plain-serial"), margin_s=10.0)
            yield ContractBench(device, GRID, ("s11", "s21"), REFUSED)
            device.close()


@needs_pty
def test_a_pulled_serial_cable_is_noticed_at_once_and_once_for_all() -> None:
    with terminal(FakePlain()) as (address, unplug):
        device = DialectAnalyser(open_link(address), dialect("plain-serial"), margin_s=60.0)
        device.set_up(GRID)
        unplug()
        for _ in range(2):
            with pytest.raises(LinkError) as caught:
                device.sweep(("s11",))
            assert address in caught.value.message
            assert caught.value.hint
        device.close()


@needs_pty
def test_a_port_is_opened_for_one_program_alone() -> None:
    with terminal(FakePlain()) as (address, _), closing(open_link(address)), pytest.raises(LinkError, match="another program"):
        open_link(address)
