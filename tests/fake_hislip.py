"""A small HiSLIP server over a model: one client, synchronized mode, data and device clear (IVI-6.1)."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

HEADER = struct.Struct("!2sBBIQ")
INITIALIZE, INITIALIZE_RESPONSE, DATA, DATA_END, CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE = 0, 1, 6, 7, 8, 9
ASYNC_MESSAGE_SIZE, ASYNC_MESSAGE_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE, ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 17, 18, 19, 23


def _take(link: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        piece = link.recv(size - len(data))
        if not piece:
            raise EOFError
        data += piece
    return data


def _message(link: socket.socket) -> tuple[int, int, bytes]:
    _, kind, _, parameter, length = HEADER.unpack(_take(link, HEADER.size))
    return kind, parameter, _take(link, length)


def _send(link: socket.socket, kind: int, parameter: int = 0, data: bytes = b"") -> None:
    link.sendall(HEADER.pack(b"HS", kind, 0, parameter, len(data)) + data)


def _asynchronous(link: socket.socket) -> None:
    try:
        while True:
            kind, _, data = _message(link)
            if kind == ASYNC_MESSAGE_SIZE:
                _send(link, ASYNC_MESSAGE_SIZE_RESPONSE, 0, data)
            if kind == ASYNC_CLEAR:
                _send(link, ASYNC_CLEAR_ACKNOWLEDGE)
    except (EOFError, OSError):
        return


def _synchronous(link: socket.socket, model: Callable[[bytes], bytes], piece: int) -> None:
    waiting = b""
    while True:
        kind, parameter, data = _message(link)
        if kind == CLEAR_COMPLETE:
            waiting = b""
            _send(link, CLEAR_ACKNOWLEDGE)
            continue
        waiting += data
        if kind != DATA_END:
            continue
        reply, waiting = model(waiting), b""
        while len(reply) > piece:
            _send(link, DATA, parameter, reply[:piece])
            reply = reply[piece:]
        if reply:
            _send(link, DATA_END, parameter, reply)


def _serve(listener: socket.socket, model: Callable[[bytes], bytes], piece: int) -> None:
    first, _ = listener.accept()
    with first:
        try:
            _message(first)
            _send(first, INITIALIZE_RESPONSE, 0x0100_0001)
            second, _ = listener.accept()
            with second:
                _message(second)
                _send(second, ASYNC_INITIALIZE_RESPONSE)
                side = threading.Thread(target=_asynchronous, args=(second,))
                side.start()
                try:
                    _synchronous(first, model, piece)
                finally:
                    second.shutdown(socket.SHUT_RDWR)
                    side.join(10)
        except (EOFError, OSError):
            return


@contextmanager
def hislip(model: Callable[[bytes], bytes], piece: int = 1000) -> Iterator[str]:
    """Serve the model; yields the address. Replies go out in messages of ``piece`` bytes at most."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=_serve, args=(listener, model, piece))
        thread.start()
        try:
            yield f"visa://TCPIP::127.0.0.1::hislip0,{listener.getsockname()[1]}::INSTR"
        finally:
            with socket.socket() as last:
                last.connect_ex(listener.getsockname())
            thread.join(10)
            assert not thread.is_alive()
