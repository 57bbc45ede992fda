"""Ohmmeter readings as they are typed: "winding=0.06", "sample=51 ohm"."""

from __future__ import annotations

from collections.abc import Sequence

from harness.errors import UsageError

MOST, LONGEST = 20, 40
HINT = "Write, for example, --ohms winding=0.06 --ohms 'sample=51 ohm'; an open circuit as the most that the meter shows."


def ohms(typed: Sequence[str] | None) -> tuple[tuple[str, float], ...]:
    """Return (what was measured, ohms) of each reading. UsageError: it cannot be read, or is said twice."""
    from harness.quantities import parse_quantity

    found: dict[str, float] = {}
    for text in typed or ():
        name, is_there, value = text.partition("=")
        what = " ".join(name.split())
        if not is_there or not 1 <= len(what) <= LONGEST or not what.isprintable():
            raise UsageError(f"--ohms: {text!r} is no reading", hint=HINT)
        if what in found:
            raise UsageError(f"--ohms: {what} was given twice", hint=HINT)
        try:
            ohm = parse_quantity(f"{value.strip()} ohm" if value.strip()[-1:].isdigit() else value, "Ω", f"--ohms {what}")
        except UsageError as error:
            raise UsageError(error.message, hint=HINT) from None
        if ohm < 0:
            raise UsageError(f"--ohms {what}: {value.strip()} is less than nothing", hint=HINT)
        found[what] = ohm
    if len(found) > MOST:
        raise UsageError(f"--ohms takes at most {MOST} readings; {len(found)} came", hint="Put the others into --note.")
    return tuple(found.items())
