"""Serials: the number at the end counts up, its width stays. Pure."""

from __future__ import annotations

import re

from harness.errors import UsageError
from harness.files import check_name

_TRAILING = re.compile(r"(?P<before>.*?)(?P<number>[0-9]+)", re.ASCII)


def following_serial(serial: str) -> str:
    """Return the serial after ``serial``: "CL-0007" → "CL-0008", "CL-99" → "CL-100". UsageError: no number at its end."""
    match = _TRAILING.fullmatch(serial)
    if match is None:
        raise UsageError(
            f"the serial {serial!r} does not end in a number, so there is no next one",
            hint="Name the next unit yourself instead of --next.",
        )
    return check_name(f"{match['before']}{int(match['number']) + 1:0{len(match['number'])}d}")


def first_serial(batch: str, first: str | None) -> str:
    """Return the first serial of a new batch: ``first``, or "<batch>-0001". UsageError where it is no name."""
    return check_name(first if first is not None else f"{check_name(batch, 'batch')}-0001")


def order_of_serial(serial: str) -> tuple[str, int, str]:
    """Return what serials sort by: the letters, then the number at the end ("CL-99" stands before "CL-100")."""
    match = _TRAILING.fullmatch(serial)
    return (serial, -1, "") if match is None else (match["before"], int(match["number"]), serial)
