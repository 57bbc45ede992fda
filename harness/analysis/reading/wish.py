"""What a person types about pads, cables, the instrument and the waveform, as numbers. UsageError names the option."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from harness.analysis.reading.chain import ASSUMED_RETURN_LOSS_DB, INTOS, SCOPE_FARAD, CableRun, Chain, Into, Pad
from harness.errors import UsageError
from harness.quantities import parse_db, parse_frequency, parse_power, parse_quantity
from harness.sampler import Cable

LIGHT = 299792458.0
ASSUMED = 10 ** (-ASSUMED_RETURN_LOSS_DB / 20)
LEAST_HZ, MOST_HZ = 100.0, 100e9
"""What counts as a frequency of a transmitter, or of a line of its spectrum."""
MOST_PADS_DB = 200.0
MOST_WATTS = 1e6
_PLUS_MINUS = re.compile(r"±|\+-|\+/-")
_SPELLINGS: dict[str, Into] = {
    "50ohm": "50ohm", "50ω": "50ohm", "50": "50ohm", "1mohm": "1Mohm", "1mω": "1Mohm", "1megohm": "1Mohm", "tee": "tee",
}  # fmt: skip


def into_of(text: str) -> Into:
    """Return what the port is read into: "50ohm", "1Mohm", "tee"."""
    found = _SPELLINGS.get(text.strip().replace(" ", "").lower().replace("ohms", "ohm"))
    if found is None:
        raise UsageError(
            f"--into: {text!r} is not known",
            hint=f"Known: {', '.join(INTOS)} (tee: a high-impedance input beside a 50 ohm load on a tee).",
        )
    return found


def pad_of(text: str) -> Pad:
    """Return the pad of "20dB" or "20dB±0.3dB"."""
    value, *rest = _PLUS_MINUS.split(text)
    if len(rest) > 1:
        raise UsageError(f"--pad: {text!r} is not one value with one tolerance", hint="Write it as 20dB or 20dB±0.3dB.")
    if rest and not re.search(r"[A-Za-z]\s*$", value):
        value = f"{value.strip()}dB"  # "20±0.3dB": the unit stands once
    pad = Pad(parse_db(value, "--pad"), parse_db(rest[0], "--pad, tolerance") if rest else 0.0)
    if not 0 < pad.db <= 200 or not 0 <= pad.tolerance_db <= pad.db:
        raise UsageError(f"--pad: {text!r} is no pad; above 0 dB and at most 200 dB is", hint="Write it as 20dB or 20dB±0.3dB.")
    return pad


def cable_of(text: str, cables: Mapping[str, Cable]) -> CableRun:
    """Return the cable of "RG-58 2m" (its loss from the tables) or "0.4dB" (its loss, its length not told)."""
    name, _, length = text.strip().rpartition(" ")
    if not name:
        loss = parse_db(text, "--cable")
        if not 0 <= loss <= 100:
            raise UsageError(f"--cable: {text!r} is no cable's loss; 0 to 100 dB is")
        return CableRun("a cable", loss, share=0.0)
    name = name.strip()
    cable = next((one for key, one in cables.items() if key.lower() == name.lower()), None)
    if cable is None:
        if re.fullmatch(r"[0-9.,+-]+", name):
            return cable_of(name + length, cables)
        raise UsageError(f"--cable: {name!r} is not in the tables", hint=f"Known: {', '.join(cables)}; or give its loss: 0.4dB.")
    metres = parse_quantity(length, "m", "--cable, length")
    if not 0 < metres <= 1000:
        raise UsageError(f"--cable: a length of {metres:g} m is not allowed; above 0 and at most 1000 m is")
    if cable.loss_db_per_m is None or cable.loss_frequency is None:
        raise UsageError(f"--cable: the loss of {cable.name} is not in the tables", hint="Give its loss instead: --cable 0.4dB.")
    seconds = metres / (LIGHT * cable.velocity_factor.value)
    lost = cable.loss_db_per_m.value * metres
    return CableRun(f"{metres:g} m of {cable.name}", lost, cable.loss_frequency.value, seconds)


def accuracy_db(text: str | None) -> float:
    """Return how far an instrument may be off in dB: "0.5dB", or "3%" of volts. 0 for None."""
    if text is None:
        return 0.0
    share = re.fullmatch(r"\s*([0-9.,]+)\s*%\s*", text)
    found: float = parse_db(text, "--accuracy") if share is None else 20 * math.log10(1 + _number(share[1], "--accuracy") / 100)
    if not 0 < found <= 20:
        raise UsageError(f"--accuracy: {text!r} is not above 0 and at most 20 dB", hint="Write it as 0.5dB, or 3% of volts.")
    return found


def depth_of(text: str | None) -> float | None:
    """Return the depth of "80%" as 0.8; None for None."""
    if text is None:
        return None
    if not text.strip().endswith("%"):
        raise UsageError(f"--depth: {text!r} has no %", hint="Write it as 80%.")
    return _number(text.strip()[:-1].strip(), "--depth") / 100


def frequency_of(text: str, what: str) -> float:
    """Return a frequency in Hz; UsageError, naming ``what``, outside 100 Hz to 100 GHz."""
    hz = parse_frequency(text, what)
    if not LEAST_HZ <= hz <= MOST_HZ:
        raise UsageError(f"{what}: {text!r} is not from 100 Hz to 100 GHz", hint="Write it as, for example, 7.1MHz.")
    return hz


def line_watts_of(text: str, what: str = "--power") -> float:
    """Return a line power in W; UsageError, naming ``what``, above a megawatt."""
    watts = parse_power(text, what)
    if watts > MOST_WATTS:
        raise UsageError(f"{what}: {text!r} is more than {MOST_WATTS:g} W", hint="Write it as, for example, 100W.")
    return watts


def swr_of(value: float, what: str) -> float:
    """Return an SWR as it stands; UsageError, naming ``what``, outside 1 to 100."""
    if not (math.isfinite(value) and 1 <= value <= 100):
        raise UsageError(f"{what}: {value:g} is not from 1 to 100", hint="Write it as, for example, 1.5.")
    return value


def chain_of(
    into: str,
    pads: Sequence[str],
    cables: Sequence[str],
    table: Mapping[str, Cable],
    *,
    accuracy: str | None = None,
    input_swr: float | None = None,
    input_return_loss: str | None = None,
    capacitance: str | None = None,
) -> Chain:
    """Return the chain that the options describe."""
    if input_swr is not None and input_return_loss is not None:
        raise UsageError("--input-swr and --input-return-loss say the same thing", hint="Give one of the two.")
    kind = into_of(into)
    reflection: float | None = None
    if input_swr is not None:
        swr = swr_of(input_swr, "--input-swr")
        reflection = (swr - 1) / (swr + 1)
    if input_return_loss is not None:
        loss = parse_db(input_return_loss, "--input-return-loss")
        if not 3 <= loss <= 100:
            raise UsageError(f"--input-return-loss: {loss:g} dB is not from 3 to 100 dB", hint="Write it as 26dB.")
        reflection = 10 ** (-loss / 20)
    farads = SCOPE_FARAD
    if capacitance is not None:
        value = parse_quantity(capacitance, "F", "--input-capacitance")
        if kind == "50ohm" or not 0 < value <= 1e-9:
            raise UsageError(
                f"--input-capacitance: {capacitance!r} is not allowed", hint="Above 0 and at most 1 nF, with --into 1Mohm or tee."
            )
        farads = (value, value)
    listed = tuple(pad_of(text) for text in pads)
    if sum(pad.db for pad in listed) > MOST_PADS_DB:
        raise UsageError(f"--pad: together more than {MOST_PADS_DB:g} dB", hint="Give the pads that are there.")
    return Chain(
        into=kind,
        pads=listed,
        cables=tuple(cable_of(text, table) for text in cables),
        farads=farads,
        accuracy_db=accuracy_db(accuracy),
        reflection=ASSUMED if reflection is None else reflection,
        stated=reflection is not None,
    )


def _number(text: str, what: str) -> float:
    if "," in text:
        raise UsageError(f"{what}: {text!r} has a comma in the number", hint="Use a point as decimal sign.")
    try:
        return float(text)
    except ValueError:
        raise UsageError(f"{what}: {text!r} is not a number") from None
