"""What the builder is told about each fault: one sentence, and what to do about it."""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.analysis.diagnosis.changes import Change
from harness.analysis.diagnosis.intended import Intended

SURE = 0.8
"""A weight below this is worded as a guess."""

Values = Mapping[str, float]

TRY: Mapping[str, str] = {
    "turns": "Count the turns: each pass of the wire through the hole is one. Put right what is wrong, and sweep again.",
    "double termination": "Take the load or tee off the sample port, or a resistor out of the box: one 50 ohm load is enough.",
    "termination missing": "Solder the resistor across the winding, or mend its joint. Do not transmit before it is there.",
    "braid grounded at both ends": "Take the braid's bond off at one end, so that one end only is grounded, and sweep again.",
    "braid grounded at neither end": "Solder the braid to the box at one end, line in or line out, as short as it can be.",
    "wrong core": "Compare the core's size and material with the type, and wind the right one.",
    "cracked core": "Look at the core with a lens, under the winding too; a cracked one is replaced, not glued.",
    "open winding": "Measure the winding with an ohmmeter, and solder it again at both ends. Do not transmit before it conducts.",
    "shorted turns": "Look for enamel that is scraped where turns touch each other or the core, and wind anew.",
    "high-resistance joint": "Solder the joint again, and tighten the connector's nut and centre pin.",
    "resistor out of value": "Measure the resistor with an ohmmeter before and after soldering, and replace it.",
    "line mismatch": "Look for line of another impedance, a long bare centre conductor, or an adapter left in.",
    "unexplained": "Make all connections again and repeat the sweeps; if it stays, open the box and look.",
}

DECIDES: Mapping[frozenset[str], str] = {
    frozenset({"shorted turns", "braid grounded at both ends"}): (
        "the continuity test: take the braid's bond off at one end; an ohmmeter from braid to box still shows a short where the "
        "other end is grounded as well"
    ),
    frozenset({"double termination", "turns"}): "count the turns, or measure the resistance across the sample port",
    frozenset({"double termination", "shorted turns"}): "an ohmmeter across the sample port with the winding's hot end lifted",
    frozenset({"wrong core", "cracked core"}): "look at the core with a lens, and compare its colour and size with the type",
    frozenset({"turns", "resistor out of value"}): "measure the resistor with an ohmmeter, the winding lifted at one end",
    frozenset({"turns", "shorted turns"}): "count the turns",
    frozenset({"high-resistance joint", "resistor out of value"}): "measure the resistor with an ohmmeter",
    frozenset({"termination missing", "resistor out of value"}): "measure the resistor, the winding lifted at one end",
    frozenset({"open winding", "termination missing"}): "measure the winding with an ohmmeter",
}
"""Two faults → the test that tells which, where no sweep does."""
LOOK = "an ohmmeter and a look into the box"


def says(applied: Change, values: Values, intended: Intended, weight: float) -> str:
    """Return the sentence for the builder, worded as a guess below SURE."""
    text = _SENTENCES[applied.fault](applied, values, intended)
    return text if weight >= SURE else f"A guess: {text[0].lower()}{text[1:]}"


def _turns(applied: Change, values: Values, intended: Intended) -> str:
    return f"The winding has {applied.turns} turns instead of {intended.turns}."


def _double(applied: Change, values: Values, intended: Intended) -> str:
    both = "a second 50 ohm load stands beside the one that belongs there"
    return f"The winding is loaded twice ({both}): coupling reads too much, by 6 dB where the other load is outside."


def _wrong_core(applied: Change, values: Values, intended: Intended) -> str:
    if applied.material is not None:
        return f"The core is of another material: it looks like {applied.material} and should be {intended.material}."
    times = values["a_l"] / (intended.air * intended.materials[intended.material].initial_permeability)
    return f"The core is not the one of the type: its inductance is {times:.2g} times what it should be."


def _cracked(applied: Change, values: Values, intended: Intended) -> str:
    return f"The core has a gap of about {1e3 * values['gap']:.2g} mm: it is cracked or badly put together."


def _joint(applied: Change, values: Values, intended: Intended) -> str:
    return f"A joint at {_place(applied)} has about {values['joint']:.2g} ohm."


def _place(applied: Change) -> str:
    return "the winding's end" if applied.where == "winding" else f"the {applied.where} connector"


def _resistor(applied: Change, values: Values, intended: Intended) -> str:
    inside = intended.circuit.internal_resistor
    if inside is None or "resistor" not in values:
        return f"The pad's first resistor has about {values['pad first']:.3g} ohm."
    return f"The resistor inside has about {values['resistor']:.3g} ohm instead of {inside:.3g} ohm."


def _mismatch(applied: Change, values: Values, intended: Intended) -> str:
    long, at = 1e3 * values["mismatch length"], 1e3 * mismatch_distance(applied, values)
    return f"About {long:.0f} mm of the line have {values['mismatch impedance']:.0f} ohm, about {at:.0f} mm from {applied.where}."


def mismatch_distance(applied: Change, values: Values) -> float:
    """Return the distance in m of the wrong piece from the connector of its side."""
    side = "length in" if applied.where == "line in" else "length out"
    return values["mismatch place"] * values[side]


_SENTENCES = {
    "turns": _turns,
    "double termination": _double,
    "termination missing": lambda applied, values, intended: "The resistor across the winding is missing or open.",
    "braid grounded at both ends": lambda applied, values, intended: (
        "The braid is grounded at both ends: it is a shorted turn and takes the coupling away."
    ),
    "braid grounded at neither end": lambda applied, values, intended: (
        "The braid is grounded at neither end: it does not screen, and coupling rises with frequency."
    ),
    "wrong core": _wrong_core,
    "cracked core": _cracked,
    "open winding": lambda applied, values, intended: "The winding is open: only stray capacitance reaches the sample port.",
    "shorted turns": lambda applied, values, intended: "One or more of the winding's turns are shorted.",
    "high-resistance joint": _joint,
    "resistor out of value": _resistor,
    "line mismatch": _mismatch,
}


def unexplained(low_hz: float, high_hz: float, weight: float) -> str:
    """Return the sentence for what no explanation fits."""
    from harness.quantities import show_frequency

    text = f"No explanation fits the sweeps between {show_frequency(low_hz)} and {show_frequency(high_hz)}."
    return text if weight >= SURE else f"A guess: {text[0].lower()}{text[1:]}"


def finite(value: float) -> float:
    """Return a number to four digits, as it is filed."""
    return float(f"{value:.4g}") if math.isfinite(value) else 0.0
