"""What an instrument showed: a level in dBm, W or volts, where volts say whether they are peak-to-peak, peak or r.m.s."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from harness.analysis.levels import dbm_of_watts, watts_of_dbm
from harness.errors import UsageError
from harness.quantities import parse_quantity

Meaning = Literal["peak-to-peak", "peak", "r.m.s.", "power"]

WRITE = "Write it as, for example, '-5 dBm', '2.3 Vpp', '1.1 Vpk', '0.8 Vrms' or '12 mW'."
UNSAID = "Say which: Vpp for peak-to-peak, Vpk for peak, Vrms for r.m.s."
Z0 = 50.0
_VOLTS = re.compile(
    r"^(?P<number>[0-9.,+-]+(?:[eE][+-]?[0-9]{1,3})?)\s*(?P<scale>[munkµμ]?)[vV](?P<which>[A-Za-z .\-]*)$", re.ASCII
)
_WHICH: dict[str, Meaning] = {
    "pp": "peak-to-peak",
    "ptp": "peak-to-peak",
    "peaktopeak": "peak-to-peak",
    "p": "peak",
    "pk": "peak",
    "peak": "peak",
    "rms": "r.m.s.",
    "eff": "r.m.s.",
}
_MOST_DBM = 200.0
_LONGEST = 60
"""Characters of a level: more is no level, and patterns are slow on long text."""


@dataclass(frozen=True)
class Level:
    """A level at an instrument's input. ``value``: W where the meaning is "power", else V as the meaning says."""

    text: str
    meaning: Meaning
    value: float

    @property
    def is_peak(self) -> bool:
        """Whether it is of the crest of the envelope; else it is a mean over the modulation."""
        return self.meaning in ("peak-to-peak", "peak")

    @property
    def is_volts(self) -> bool:
        """Whether it is a voltage across the input; else the power that a 50 Ω input takes from a 50 Ω source."""
        return self.meaning != "power"

    @property
    def watts(self) -> float:
        """The power in W of a sine of this level in 50 Ω: of the crest for a peak, else the mean."""
        if self.meaning == "power":
            return self.value
        rms = self.value / {"peak-to-peak": 2 * math.sqrt(2), "peak": math.sqrt(2), "r.m.s.": 1.0}[self.meaning]
        return rms**2 / Z0

    @property
    def dbm(self) -> float:
        """The same in dBm."""
        return float(dbm_of_watts(self.watts))


def is_ambiguous(text: str) -> bool:
    """Return whether ``text`` is volts that do not say whether they are peak-to-peak, peak or r.m.s."""
    match = _VOLTS.match(_plain(text)[:_LONGEST])
    return match is not None and "," not in match["number"] and not _key(match["which"])


def parse_level(text: str, what: str = "--level", meaning: Meaning | None = None) -> Level:
    """Return the level of "-5 dBm", "12 mW", "2.3 Vpp", "1.1 Vpk", "0.8 Vrms"; ``meaning`` for volts that do not say.

    UsageError, naming ``what``: no unit or another, a decimal comma, volts that do not say, zero or below.
    """
    said = _plain(text)
    if len(said) > _LONGEST:
        raise UsageError(f"{what}: {len(said)} characters are no level", hint=WRITE)
    found = _parsed(said, what, meaning)
    if not -_MOST_DBM <= found.dbm <= _MOST_DBM:
        raise UsageError(f"{what}: {said!r} is not a level of an instrument; allowed is −200 dBm to 200 dBm", hint=WRITE)
    return found


def _parsed(said: str, what: str, meaning: Meaning | None) -> Level:
    match = _VOLTS.match(said)
    if match is None:
        return Level(said, "power", _power(said, what))
    volts = _quantity(f"{match['number']}{match['scale']}V", "V", what, said)
    key = _key(match["which"])
    found = _WHICH.get(key) if key else meaning
    if found is None and key:
        raise UsageError(f"{what}: {said!r}: volts {match['which'].strip()!r} are not known", hint=WRITE)
    if found is None:
        raise UsageError(f"{what}: {said!r} does not say whether it is peak-to-peak, peak or r.m.s.", hint=UNSAID)
    if volts <= 0:
        raise UsageError(f"{what}: {said!r} is not above 0 V", hint=WRITE)
    return Level(said, found, volts)


def level_watts(text: str, what: str) -> float:
    """Return the W of "30 dBm", "1 W" or volts with their meaning, of a sine in 50 Ω. UsageError, naming ``what``."""
    return parse_level(text, what).watts


def _plain(text: str) -> str:
    return text.strip().replace("−", "-")


def _key(which: str) -> str:
    return re.sub(r"[ .\-]", "", which).lower()


def _power(text: str, what: str) -> float:
    if text.lower().endswith("dbm"):
        dbm = _quantity(text[:-3] + "dBm", "dBm", what, text)
        return float(watts_of_dbm(min(max(dbm, -300.0), 300.0)))  # what is beyond is refused as any level is
    watts = _quantity(text, "W", what, text)
    if watts <= 0:
        raise UsageError(f"{what}: {text!r} is not above 0 W", hint=WRITE)
    return watts


def _quantity(text: str, unit: str, what: str, said: str) -> float:
    try:
        return parse_quantity(text, unit, what)
    except UsageError as error:
        comma = "Use a point as decimal sign. " if "comma" in error.message else ""
        message = error.message.replace(repr(text), repr(said)).replace(
            f"; {unit} is needed", "; dBm, W, Vpp, Vpk or Vrms is needed"
        )
        raise UsageError(message, hint=comma + WRITE) from None
