"""HiSLIP of the simulated analyser: message by message after IVI-6.1, and through the VISA library with device clear.

Headers are packed here by hand: "HS", type, control code, message parameter (4 bytes), payload length (8 bytes), most significant
byte first (IVI-6.1, 2.4, 6.1 in revision 1). Types: table 4 of the standard; they are also in the VISA library's own table, which
is compared.
"""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Iterator
from contextlib import ExitStack, closing
from typing import Literal

import pytest
import pyvisa
from hypothesis import given
from hypothesis import strategies as st
from pyvisa_py.protocols import hislip as library

from drivers.analyser import DialectAnalyser
from drivers.links import open_link
from drivers.simulated import start
from drivers.simulated.hislip import HEADER, Conversation, FatalError, Kind, Message, Reader
from drivers.simulated.languages import Piece
from harness.errors import LinkError, UsageError
from harness.records import Grid, Trace
from tests.analyser_contract import AnalyserContract, ContractBench
from tests.fake_links import cut, dialect
from tests.simulated_texts import bench_of

PATIENCE_S = 20


class TestOverHislip(AnalyserContract):
    """The contract, through the VISA library's pure Python backend."""

    @pytest.fixture(params=["scpi", "two-path"])
    def bench(self, request: pytest.FixtureRequest) -> Iterator[ContractBench]:
        traces: tuple[Trace, ...] = ("s11", "s21") if request.param == "scpi" else ("s11", "s21", "s12", "s22")
        paths: Literal["one-path", "two-path"] = "one-path" if request.param == "scpi" else "two-path"
        with start(bench_of(request.param), link="simulated://hislip") as served:
            device = DialectAnalyser(open_link(served.address), dialect("scpi-simulated"), paths=paths, margin_s=PATIENCE_S)
            yield ContractBench(device, Grid(1e6, 100e6, 41), traces, Grid(1e6, 4e9, 41))
            device.close()


def test_the_message_types_are_those_of_the_library() -> None:
    ours = {kind.name.replace("_", "").lower(): int(kind) for kind in Kind}
    theirs = {name.lower(): value for value, name in library.MESSAGETYPE_STR.items()}
    renamed = {"asyncmaximummessagesize": "asyncmaxmsgsize", "asyncmaximummessagesizeresponse": "asyncmaxmsgsizeresponse"}
    assert all(theirs[renamed.get(name, name)] == value for name, value in ours.items())
    assert struct.calcsize(library.HEADER_FORMAT) == HEADER.size == 16


def packed(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    return b"HS" + bytes([kind, control]) + parameter.to_bytes(4, "big") + len(payload).to_bytes(8, "big") + payload


def test_messages_are_read_at_every_cut() -> None:
    data = packed(6, 0, 0xFFFF_FF00, b"*ID") + packed(7, 1, 0xFFFF_FF02, b"N?\n") + packed(8)
    expected = [Message(6, 0, 0xFFFF_FF00, b"*ID"), Message(7, 1, 0xFFFF_FF02, b"N?\n"), Message(8)]
    assert b"".join(message.packed() for message in expected) == data
    for place in range(len(data)):
        reader = Reader()
        assert [message for piece in cut(data, place) for message in reader.feed(piece)] == expected
    reader = Reader()
    assert [message for n in range(len(data)) for message in reader.feed(data[n : n + 1])] == expected


@pytest.mark.parametrize("head", [b"XS", b"hs", b"\x00\x00"])
def test_a_header_without_prologue_is_fatal(head: bytes) -> None:
    with pytest.raises(FatalError, match="Poorly formed message header") as caught:
        Reader().feed(head + packed(7)[2:])
    assert caught.value.code == 1


def test_a_length_without_bound_is_refused_before_it_comes() -> None:
    with pytest.raises(FatalError):
        Reader().feed(b"HS" + bytes([7, 0]) + bytes(4) + (1 << 40).to_bytes(8, "big"))


@given(st.lists(st.sampled_from([b"HS", b"H", b"S", b"\x07", b"\x00" * 5, b"\x00", b"\xff" * 4, b"*IDN?\n"]), max_size=20))
def test_noise_is_messages_or_fatal_and_nothing_else(pieces: list[bytes]) -> None:
    reader, total = Reader(), 0
    try:
        for piece in pieces:
            total += sum(16 + len(message.payload) for message in reader.feed(piece))
    except FatalError:
        return
    assert total <= sum(map(len, pieces))


def test_a_message_in_parts_is_one_for_the_instrument() -> None:
    talk = Conversation()
    assert talk.synchronous(Message(Kind.DATA, 0, 2, b"*ID")) == (None, None)
    assert talk.synchronous(Message(Kind.DATA_END, 0, 4, b"N?")) == (b"*IDN?\n", None)
    (reply,) = talk.framed([Piece(b"name\n")])
    assert reply.data == packed(7, 0, 4, b"name\n")


def test_long_answers_are_cut_to_what_the_client_takes() -> None:
    talk = Conversation()
    answer = talk.asynchronous(Message(Kind.ASYNC_MAXIMUM_MESSAGE_SIZE, payload=struct.pack("!Q", 1016)), waiting=False)
    assert answer.kind == Kind.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE
    (reply,) = talk.framed([Piece(bytes(2500))])
    messages = Reader().feed(reply.data)
    assert [message.kind for message in messages] == [Kind.DATA, Kind.DATA, Kind.DATA_END]
    assert [len(message.payload) for message in messages] == [1000, 1000, 500]


def test_device_clear_forgets_what_was_begun() -> None:
    talk = Conversation()
    talk.synchronous(Message(Kind.DATA, 0, 2, b"half a mess"))
    assert talk.asynchronous(Message(Kind.ASYNC_DEVICE_CLEAR), waiting=False).kind == Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE
    assert talk.synchronous(Message(Kind.DATA_END, 0, 4, b"on its way when it was cleared")) == (None, None)
    assert talk.synchronous(Message(Kind.DEVICE_CLEAR_COMPLETE)) == (None, Message(Kind.DEVICE_CLEAR_ACKNOWLEDGE))
    assert talk.synchronous(Message(Kind.DATA_END, 0, 6, b"*IDN?\n")) == (b"*IDN?\n", None)


@pytest.mark.parametrize("kind", [2, 5, 26, 99, 255])
def test_an_unknown_message_is_answered_as_one(kind: int) -> None:
    assert Conversation().synchronous(Message(kind))[1] == Message(Kind.ERROR, 1, 0, b"Unrecognized Message Type")
    assert Conversation().asynchronous(Message(kind), waiting=False).kind == Kind.ERROR


# -- over its two sockets --------------------------------------------------------------------------------------------------------


def take(link: socket.socket) -> Message:
    data = b""
    while len(data) < 16:
        data += link.recv(16 - len(data)) or b"?" * 16
    prologue, kind, control, parameter, length = struct.unpack("!2sBBIQ", data)
    assert prologue == b"HS"
    payload = b""
    while len(payload) < length:
        payload += link.recv(length - len(payload))
    return Message(kind, control, parameter, payload)


@pytest.fixture
def served() -> Iterator[tuple[str, int]]:
    with start(bench_of(), link="hislip") as running:
        yield running.address, int(running.address.partition(",")[2].partition("::")[0])


def connect(port: int, stack: ExitStack) -> socket.socket:
    return stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S))


def test_the_opening_goes_as_in_the_standard(served: tuple[str, int]) -> None:
    with ExitStack() as stack:
        sync, other = connect(served[1], stack), connect(served[1], stack)
        sync.sendall(packed(0, 0, 0x0100_0000, b"hislip0"))
        answer = take(sync)
        assert (answer.kind, answer.control, answer.parameter >> 16) == (1, 0, 0x0100)
        other.sendall(packed(17, 0, answer.parameter & 0xFFFF))
        assert take(other).kind == 18
        other.sendall(packed(21, 0, 0xFFFF_FF00))
        assert take(other) == Message(22, 0)
        sync.sendall(packed(7, 0, 0xFFFF_FF00, b"*IDN?\n"))
        assert take(sync) == Message(7, 0, 0xFFFF_FF00, b"tapproof,simulated analyser one-path,2,1\n")
        third = connect(served[1], stack)
        third.sendall(packed(0, 0, 0x0100_0000, b"hislip0"))
        refused = take(third)
        assert (refused.kind, refused.control) == (2, 4)
        assert third.recv(1) == b""


@pytest.mark.parametrize("wrong", [packed(17, 0, 77), packed(7, 0, 2, b"*IDN?\n"), b"GET / HTTP/1.1\r\n\r\n"])
def test_a_wrong_opening_is_fatal_and_the_next_client_is_served(served: tuple[str, int], wrong: bytes) -> None:
    with ExitStack() as stack:
        bad = connect(served[1], stack)
        bad.sendall(wrong)
        assert take(bad).kind == 2
        assert bad.recv(1) == b""
    with closing(open_link(served[0])) as link:
        device = DialectAnalyser(link, dialect("scpi-simulated"), margin_s=PATIENCE_S)
        assert device.identify().startswith("tapproof,")


def test_status_and_long_blocks_through_the_library(served: tuple[str, int]) -> None:
    manager = pyvisa.ResourceManager("@py")
    with closing(manager.open_resource(served[0].removeprefix("visa://"), timeout=1000 * PATIENCE_S)) as opened:
        assert isinstance(opened, pyvisa.resources.MessageBasedResource)
        opened.write("INIT:CONT OFF")
        opened.clear()
        assert opened.query("*OPC?").strip() == "1"
        assert opened.read_stb() == 0
        opened.write("FORM REAL,64;:SWE:POIN 20001;:INIT;*OPC?")
        assert opened.read().strip() == "1"
        opened.write("TRAC? S21")
        block = opened.read_raw(400_000)
        assert block.startswith(b"#6320016")
        assert len(block) == 8 + 320_016 + 1


def test_device_clear_drops_an_answer_that_nobody_has_read(served: tuple[str, int]) -> None:
    with closing(open_link(served[0])) as link:
        link.write(b"*IDN?\n")
        link.clear()
        link.write(b"*OPC?\n")
        assert next(filter(None, (link.read(0.25) for _ in range(4 * PATIENCE_S)))) == b"1\n"


def test_closing_leaves_nothing_behind() -> None:
    before = set(threading.enumerate())
    served = start(bench_of(), link="hislip")
    device = DialectAnalyser(open_link(served.address), dialect("scpi-simulated"), margin_s=PATIENCE_S)
    device.identify()
    served.close()
    served.close()
    with pytest.raises(LinkError) as caught:
        device.identify()
    assert caught.value.hint
    device.close()  # the address is not opened again: another server on this machine may have its port by now
    for thread in set(threading.enumerate()) - before:
        thread.join(PATIENCE_S)
        assert not thread.is_alive(), thread.name


def test_hislip_carries_scpi_only() -> None:
    with pytest.raises(UsageError, match="HiSLIP carries SCPI"):
        start(bench_of("serial"), link="simulated://hislip")
