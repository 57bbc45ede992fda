"""The build faults as data: what each changes in the circuit, and which numbers it leaves open, with their ranges.

One fault may have several variants (which end, how many turns, above or below its value); they are fitted one by one and count
together. All ranges are chosen, no source: wide enough for what a bench meets, and apart from what a build tolerance explains.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from harness.analysis.diagnosis.circuits import (
    Fields,
    Values,
    capacitance_per_turn,
    core_of,
    healthy_fields,
    healthy_knobs,
    shape_knobs,
)
from harness.analysis.diagnosis.intended import CLASSES, SHAPE_CORNERS, Intended
from harness.analysis.diagnosis.knobs import Around, Knob, Offset, Within
from harness.sampler import Mismatch, Pad

Apply = Callable[[Fields, Values], Fields]


@dataclass(frozen=True)
class Change:
    """One variant of a fault. ``knobs`` stand beside the healthy ones, or in their place where the name is the same.

    ``without``: healthy knobs that the fault takes away. ``share``: this variant's part of the fault's prior probability.
    ``crude``: the part of |whitened residual|² of a healthy fit that this one may leave without being given up as *unexplained*.
    ``where``, ``turns``, ``material``: what the variant says about the place, the turns on the core and its class.
    """

    fault: str
    apply: Apply = field(repr=False, compare=False)
    knobs: tuple[Knob, ...] = field(default=(), repr=False)
    without: tuple[str, ...] = ()
    share: float = 1.0
    crude: float = 0.002
    where: str | None = None
    turns: int | None = None
    material: str | None = None


FREE_SHARE = 0.8
"""Part of the prior of wrong turns that starts from the wanted number."""


def _turns(intended: Intended) -> Iterator[Change]:
    """Yield the turns as a number that need not be whole: the fit finds the neighbourhood, whole numbers are fitted after it."""
    for start, share in ((0.0, FREE_SHARE), (math.log(2) / 0.5, 0.1), (-math.log(2) / 0.5, 0.1)):  # as wanted, twice, half
        yield Change("turns", lambda fields, values: fields, (Around("turns", float(intended.turns), 0.5, start),), share=share)


def whole_turns(turns: int, share: float) -> Change:
    """Return the winding with exactly so many turns."""
    return Change("turns", lambda fields, values: fields, (Offset("turns", float(turns), 0.0),), share=share, turns=turns)


def _double_termination(intended: Intended) -> Iterator[Change]:
    inside = intended.circuit.internal_resistor
    both = 50.0 if inside is None else 50.0 * inside / (50.0 + inside)
    yield Change("double termination", lambda fields, values: fields, (Around("resistor", both, 0.012),))


def _termination_missing(intended: Intended) -> Iterator[Change]:
    if intended.internal:
        yield Change("termination missing", lambda fields, values: fields, without=("resistor",))


def _braid(intended: Intended) -> Iterator[Change]:
    yield Change(
        "braid grounded at both ends",
        lambda fields, values: (
            fields
            | {
                "braid": "both ends",
                "braid_resistance": values["braid resistance"],
                "braid_lead_inductance": values["braid bond"],
            }
        ),
        # what is left of the coupling is the braid's resistance, then the inductance of its bonds and holes over the loop's
        (Around("braid resistance", 0.8e-3, 0.6), Around("braid bond", 0.08e-9, 0.5), Around("loop", 5e-9, 0.5)),
    )
    yield Change(
        "braid grounded at neither end",
        lambda fields, values: fields | {"braid": "neither end", "braid_ground_capacitance": values["braid ground"]},
        (Around("braid ground", 4e-12, 0.7),),
    )


def _other_class(intended: Intended, material: str, share: float) -> Change:
    a_l = intended.air * intended.materials[material].initial_permeability
    shape = shape_knobs(intended, material)
    return Change(
        "wrong core",
        lambda fields, values: fields | {"core": core_of(intended, values, material)},
        (Around("a_l", a_l, 0.3), *shape),
        share=share,
        material=material,
    )


def _wrong_core(intended: Intended) -> Iterator[Change]:
    others = [name for name in CLASSES if name != intended.material]
    for name in others:
        yield _other_class(intended, name, 0.9 / len(others))
    a_l = intended.air * intended.materials[intended.material].initial_permeability
    for low, high in ((0.3, 0.65), (1.55, 3.5)):  # the same material in another size
        yield Change("wrong core", lambda fields, values: fields, (Within("a_l", low * a_l, high * a_l),), share=0.05)


def _cracked(intended: Intended) -> Iterator[Change]:
    # flux that leaves the core beside the gap goes through air: the gap acts on parts of the core, which bends its dispersion
    times = 1.0 if intended.vague(intended.material) else 2.0
    sizes = [times * intended.bend(intended.material, corner) for corner in SHAPE_CORNERS]
    bends = [Offset(f"bend {number}", 0.0, size) for number, size in enumerate(sizes)]
    for low, high in ((0.01e-3, 0.1e-3), (0.1e-3, 1e-3)):
        knobs: tuple[Knob, ...] = (Within("gap", low, high), *bends)
        yield Change("cracked core", lambda fields, values: fields | {"core_gap": values["gap"]}, knobs, share=0.5)


OPEN_CRUDE = 0.3
"""An open winding is all stray capacitance, spread over its length, of which the model knows two lumps."""


def _open(intended: Intended) -> Iterator[Change]:
    """Yield a break at either end of the winding.

    The winding resonates with its own capacitance, and sharply: the fit starts at a usual one and at low ones.
    """
    nominal = capacitance_per_turn(intended)
    hot: Apply = lambda fields, values: fields | {"winding_open": True, "break_capacitance": values["break"]}  # noqa: E731
    cold: Apply = lambda fields, values: fields | {"cold_break_capacitance": values["break"]}  # noqa: E731
    for broken, start in ((hot, 0.0), (hot, -1.0), (hot, -2.0), (cold, 0.0)):
        knobs = (
            Within("break", 0.03e-12, 3e-12),
            Within("sample capacitance", 0.2e-12, 20e-12),
            Around("capacitance", nominal, 0.8, start),
        )
        yield Change("open winding", broken, knobs, share=0.25, crude=OPEN_CRUDE)


def _shorted(intended: Intended) -> Iterator[Change]:
    counts = [count for count in (1, 2, 3) if count < intended.turns]
    for count in counts:
        yield Change(
            "shorted turns",
            lambda fields, values, count=count: (
                fields  # type: ignore[misc]  # bound now, one circuit for each count
                | {
                    "shorted_turns": float(count),
                    "shorted_turns_leakage": values["short leakage"],
                    "shorted_turns_resistance": values["short resistance"],
                }
            ),
            (Around("short leakage", 9e-9 * count**1.5, 0.5), Around("short resistance", 4e-3 * count, 0.6)),
            share=1 / len(counts),
        )


JOINTS = {"line in": "line_in_joint", "line out": "line_out_joint", "sample": "sample_joint", "winding": "winding_joint"}


def _joint(intended: Intended) -> Iterator[Change]:
    for where, name in JOINTS.items():
        yield Change(
            "high-resistance joint",
            lambda fields, values, name=name: fields | {name: values["joint"]},  # type: ignore[misc]  # bound now
            (Within("joint", 0.15, 40.0, start=-0.5),),
            share=1 / len(JOINTS),
            where=where,
        )


def _resistor(intended: Intended) -> Iterator[Change]:
    inside, pad = intended.circuit.internal_resistor, intended.circuit.pad
    for low, high, start in ((1 / 3, 1 / 1.03, 0.8), (1.03, 3.0, -0.8)):
        if inside is not None:
            knob = Within("resistor", low * inside, high * inside, start)
            yield Change("resistor out of value", lambda fields, values: fields, (knob,), share=0.5)
        elif pad is not None:
            yield _pad_resistor(pad, low, high, start)


def _pad_resistor(pad: Pad, low: float, high: float, start: float) -> Change:
    return Change(
        "resistor out of value",
        lambda fields, values: fields | {"pad": replace(pad, first=values["pad first"])},
        (Within("pad first", low * pad.first, high * pad.first, start),),
        share=0.5,
    )


def _mismatch(intended: Intended) -> Iterator[Change]:
    for where in ("line in", "line out"):
        for low, high in ((15.0, 43.0), (58.0, 250.0)):
            yield Change(
                "line mismatch",
                lambda fields, values, where=where: fields | {"mismatch": _wrong_piece(fields, values, where)},  # type: ignore[misc]
                (
                    Within("mismatch impedance", low, high, 0.3 if low < 50 else -0.8),
                    Within("mismatch length", 0.008, 0.08),
                    Within("mismatch place", 0.02, 1.0),
                ),
                share=0.25,
                where=where,
            )


def _wrong_piece(fields: Fields, values: Values, where: str) -> Mismatch:
    before, after = fields["line_before"].length, fields["line_after"].length
    place = values["mismatch place"]
    at = place * before * 0.999 if where == "line in" else before + after * (1 - 0.999 * place)
    return Mismatch(impedance=values["mismatch impedance"], length=values["mismatch length"], position=at)


def changes(intended: Intended) -> tuple[Change, ...]:
    """Return every variant of every fault that a unit of this type can have."""
    kinds = (
        _turns, _double_termination, _termination_missing, _braid, _wrong_core, _cracked, _open, _shorted, _joint, _resistor,
        _mismatch,
    )  # fmt: skip
    return tuple(change for kind in kinds for change in kind(intended))


def other_classes(intended: Intended) -> tuple[Change, ...]:
    """Return the unit with a core of each other class."""
    return tuple(change for change in _wrong_core(intended) if change.material is not None)


LIKELY_PAIRS = (
    ("turns", "high-resistance joint"),
    ("turns", "wrong core"),
    ("turns", "cracked core"),
    ("turns", "line mismatch"),
    ("turns", "resistor out of value"),
    ("braid grounded at neither end", "high-resistance joint"),
)
"""Faults that come together: the same careless build. Common practice, no source."""


def knobs_with(intended: Intended, applied: tuple[Change, ...]) -> tuple[Knob, ...]:
    """Return the knobs of a unit with these changes."""
    own = {knob.name: knob for change in applied for knob in change.knobs}
    gone = {name for change in applied for name in change.without}
    kept = [own.pop(knob.name, knob) for knob in healthy_knobs(intended) if knob.name not in gone]
    return (*kept, *own.values())


def fields_with(intended: Intended, applied: tuple[Change, ...], values: Values) -> Fields:
    """Return the circuit's fields of a unit with these changes."""
    fields = healthy_fields(intended, values)
    for change in applied:
        fields = change.apply(fields, values)
    return fields
