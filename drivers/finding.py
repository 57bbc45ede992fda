"""What is plugged in: serial ports with their descriptions, and VISA resources, each as an address for a bench file."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

MOST = 200
"""Entries that are shown of each kind."""


@dataclass(frozen=True)
class Found:
    """One port or resource: its address for a bench file, and what the system says of it."""

    kind: str
    address: str
    description: str


class Port(Protocol):
    """A serial port as pyserial lists it."""

    device: str
    description: str
    manufacturer: str | None


def serial_ports(listed: Callable[[], Iterable[Port]] | None = None) -> list[Found]:
    """Return the serial ports, by name. ``listed``: where they are listed; by default pyserial asks the system."""
    if listed is None:
        from serial.tools.list_ports import comports

        listed = comports
    found = sorted(listed(), key=lambda port: port.device)[:MOST]
    return [Found("serial", f"serial://{port.device}", _words(port)) for port in found]


def visa_resources(listed: Callable[[], Iterable[str]] | None = None) -> tuple[list[Found], str]:
    """Return the VISA resources, and why there are none where the library cannot look ("" else). Serial ports are left out."""
    try:
        names = sorted(set((listed or _resources)()))
    except Exception as error:  # the library and its backends raise what they like; nothing found is no fault of the bench
        return [], " ".join(str(error).split()) or type(error).__name__
    return [Found("visa", f"visa://{name}", "") for name in names if not name.upper().startswith("ASRL")][:MOST], ""


def _resources() -> Iterable[str]:
    import pyvisa

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about kinds of link whose libraries are not installed
        manager = pyvisa.ResourceManager("@py")
        try:
            return manager.list_resources("?*")
        finally:
            manager.close()


def _words(port: Port) -> str:
    said = "" if port.description in (None, "", "n/a") else port.description
    maker = port.manufacturer or ""
    return said if not maker or maker in said else f"{said} ({maker})".strip()
