"""Links: from an address to an open transport. Foreign exceptions become LinkError by the table here, and only here."""

from __future__ import annotations

import errno
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qsl, urlsplit

from drivers.transport import Transport
from harness.errors import LinkError, UsageError

EXAMPLES = "serial:///dev/ttyACM0?baud=115200, serial://COM5, socket://192.0.2.7:5025, visa://TCPIP::192.0.2.7::hislip0::INSTR"
OPEN_TIMEOUT_S = 5.0

_BY_ERRNO: Mapping[int, tuple[str, str]] = {
    errno.ENOENT: (
        "there is no such device",
        "Plug the analyser in, switch it on, and look with 'tapproof bench find'.",
    ),
    errno.ENODEV: ("the device is gone", "Check the cable, plug it in again, and start again."),
    errno.ENXIO: ("the device is gone", "Check the cable, plug it in again, and start again."),
    errno.EIO: ("the device is gone", "Check the cable, plug it in again, and start again."),
    errno.EBADF: ("the link is closed", "Start again."),
    errno.ENOTTY: ("it is no serial port", "Look with 'tapproof bench find', and check the address in the bench file."),
    errno.EACCES: ("it may not be opened", "Your account needs the right to use serial ports (often the group dialout or uucp)."),
    errno.EPERM: ("it may not be opened", "Your account needs the right to use serial ports (often the group dialout or uucp)."),
    errno.EBUSY: ("another program has it open", "Close the other program; only one can speak to the analyser."),
    errno.EAGAIN: ("another program has it open", "Close the other program; only one can speak to the analyser."),
    errno.ECONNREFUSED: (
        "nothing listens there",
        "Check address and port, and that the analyser's remote control is on.",
    ),
    errno.ETIMEDOUT: ("nothing answers there", "Check the address, the network cable, and that the analyser is on."),
    errno.EHOSTUNREACH: ("the host cannot be reached", "Check the address and the network cable."),
    errno.ENETUNREACH: ("the network cannot be reached", "Check the address and the network cable."),
    errno.ECONNRESET: ("the analyser closed the connection", "Check that no other program took it, and start again."),
    errno.EPIPE: ("the analyser closed the connection", "Check that no other program took it, and start again."),
}
_OTHERWISE = "Check cable, power and address."


@dataclass(frozen=True)
class SerialAddress:
    """A serial port and its line settings."""

    port: str
    baud: int = 115_200
    bits: int = 8
    parity: str = "none"
    stop: int = 1
    flow: str = "none"


@dataclass(frozen=True)
class SocketAddress:
    """A TCP host and port."""

    host: str
    port: int


@dataclass(frozen=True)
class VisaAddress:
    """A VISA resource that is no bare socket."""

    resource: str


Address = SerialAddress | SocketAddress | VisaAddress


def parse_address(address: str) -> Address:
    """Return what ``address`` means; UsageError says what is wrong with it and gives examples. Nothing is opened."""
    scheme, separator, rest = address.partition("://")
    if not separator or not rest or not address.isprintable():
        raise _wrong(address, "it is not SCHEME://WHERE")
    if scheme == "visa":
        return _parse_visa(address, rest)
    try:
        parts = urlsplit(address)
        port = parts.port if scheme == "socket" else None
    except ValueError as error:
        raise _wrong(address, str(error)) from None
    if scheme == "socket":
        if not parts.hostname or port is None or port == 0 or parts.path.strip("/") or parts.query:
            raise _wrong(address, "a host and a port from 1 to 65535 are needed")
        return SocketAddress(parts.hostname, port)
    if scheme == "serial":
        if parts.netloc and parts.path.strip("/"):
            raise _wrong(address, "a device path needs three slashes (serial:///dev/…)")
        return _serial_options(address, parts.netloc or parts.path, parts.query)
    raise _wrong(address, f"{scheme!r} is no kind of link")


def open_link(address: str, *, open_timeout_s: float = OPEN_TIMEOUT_S) -> Transport:
    """Open ``address`` and return its transport. UsageError where it does not parse, LinkError where it does not open."""
    parsed = parse_address(address)
    if isinstance(parsed, SerialAddress):
        from drivers.serial_link import SerialLink

        return SerialLink(address, parsed)
    if isinstance(parsed, SocketAddress):
        from drivers.socket_link import SocketLink

        return SocketLink(address, parsed, open_timeout_s)
    from drivers.visa_link import VisaLink

    return VisaLink(address, parsed.resource, open_timeout_s)


def link_error(address: str, doing: str, error: BaseException) -> LinkError:
    """Return the LinkError for what a library raised while ``doing`` (for instance "opening")."""
    number = _errno_of(error)
    known = _BY_ERRNO.get(number) if number is not None else None
    if known is None and isinstance(error, TimeoutError):
        known = _BY_ERRNO[errno.ETIMEDOUT]
    said = " ".join(str(error).split()) or type(error).__name__
    what, hint = known if known is not None else (said, _OTHERWISE)
    return LinkError(f"{doing} {address}: {what}", hint=hint)


def closed_error(address: str) -> LinkError:
    """Return the LinkError for a peer that closed the connection."""
    what, hint = _BY_ERRNO[errno.ECONNRESET]
    return LinkError(f"reading from {address}: {what}", hint=hint)


def _errno_of(error: BaseException) -> int | None:
    """Return the operating system's error number, also where a library wrapped it."""
    seen: BaseException | None = error
    while seen is not None:
        number = getattr(seen, "errno", None)
        if isinstance(number, int):
            return number
        if seen.args and isinstance(seen.args[0], int):
            return seen.args[0]
        seen = seen.__context__
    return None


def _parse_visa(address: str, resource: str) -> Address:
    parts = resource.split("::")
    if len(parts) < 2 or parts[-1].upper() not in ("INSTR", "SOCKET"):
        raise _wrong(address, "a VISA resource ends in ::INSTR or ::SOCKET")
    if parts[-1].upper() == "INSTR":
        return VisaAddress(resource)
    if len(parts) != 4 or not parts[0].upper().startswith("TCPIP") or not _is_port(parts[2]):
        raise _wrong(address, "a socket resource is TCPIP::HOST::PORT::SOCKET")
    return SocketAddress(parts[1], int(parts[2]))


def _is_port(text: str) -> bool:
    return text.isascii() and text.isdigit() and 1 <= int(text[:6]) <= 65_535


def _serial_options(address: str, port: str, query: str) -> SerialAddress:
    try:
        given = dict(parse_qsl(query, keep_blank_values=True, strict_parsing=bool(query), max_num_fields=10))
    except ValueError:
        raise _wrong(address, f"{query!r} is not name=value&name=value") from None
    allowed = {"baud", "bits", "parity", "stop", "flow"}
    if unknown := sorted(set(given) - allowed):
        raise _wrong(address, f"{unknown[0]!r} is no option of a serial port; allowed are {', '.join(sorted(allowed))}")
    baud, bits, stop = given.get("baud", "115200"), given.get("bits", "8"), given.get("stop", "1")
    if not (baud.isascii() and baud.isdigit() and 50 <= int(baud[:9]) <= 20_000_000):
        raise _wrong(address, f"baud={baud} is not a whole number from 50 to 20000000")
    choices = (("bits", bits, ("7", "8")), ("stop", stop, ("1", "2")))
    words = (("parity", given.get("parity", "none"), ("none", "even", "odd")), ("flow", given.get("flow", "none"), _FLOWS))
    for name, value, among in (*choices, *words):
        if value not in among:
            raise _wrong(address, f"{name}={value} is not one of {', '.join(among)}")
    return SerialAddress(port, int(baud), int(bits), given.get("parity", "none"), int(stop), given.get("flow", "none"))


_FLOWS = ("none", "rtscts", "xonxoff")


def _wrong(address: str, why: str) -> UsageError:
    return UsageError(f"the address {address!r} cannot be used: {why}", hint=f"Addresses look like these: {EXAMPLES}.")
