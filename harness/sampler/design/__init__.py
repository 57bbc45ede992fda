"""The design engine: a wish in, complete designs out. Pure: frozen values, no file, clock or device.

``design(wish, parts)`` gives one design (whatever the wish leaves open is chosen), complete even when something stands against
it; ``search(wish, parts, keep)`` ranks the best and says why the others failed; ``to_type`` makes a type file's record of a
design and ``of_type`` works out one. ``shipped_parts()`` are the program's tables, ``parse_parts`` reads a person's own.
"""

from harness.sampler.design.engine import design, search
from harness.sampler.design.parts import Connector, Parts, ResistorKind, parse_parts, shipped_parts
from harness.sampler.design.result import (
    Alternative,
    Build,
    CoreHeat,
    Couplings,
    Curve,
    Design,
    Failure,
    Flux,
    Impossible,
    Line,
    LowEnd,
    Practice,
    Reason,
    ResistorStress,
    SamplePort,
    SearchResult,
    Stress,
    Unloaded,
    UnloadedAt,
    Winding,
    Yield,
)
from harness.sampler.design.to_type import of_type, to_type
from harness.sampler.design.wish import KINDS, DesignWish, Fitted, Kind, Spread, Termination, Tolerances

__all__ = [
    "KINDS",
    "Alternative",
    "Build",
    "Connector",
    "CoreHeat",
    "Couplings",
    "Curve",
    "Design",
    "DesignWish",
    "Failure",
    "Fitted",
    "Flux",
    "Impossible",
    "Kind",
    "Line",
    "LowEnd",
    "Parts",
    "Practice",
    "Reason",
    "ResistorKind",
    "ResistorStress",
    "SamplePort",
    "SearchResult",
    "Spread",
    "Stress",
    "Termination",
    "Tolerances",
    "Unloaded",
    "UnloadedAt",
    "Winding",
    "Yield",
    "design",
    "of_type",
    "parse_parts",
    "search",
    "shipped_parts",
    "to_type",
]
