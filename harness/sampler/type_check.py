"""Does a type make sense? Its core and cable must be known, and its turns must be able to give its coupling."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass

from harness.records import SamplerType
from harness.records.type_file import BuildEntry
from harness.sampler.closed_form import ideal_coupling_db

ROOM_DB = 1.0
"""What core and strays may move a real coupling away from the ideal transformer's; chosen, no source."""


@dataclass(frozen=True)
class Objection:
    """What is wrong with a type: the key of the file, in words, and what to do."""

    key: tuple[str, str]
    says: str
    hint: str


def objection_to(type_: SamplerType, cores: Collection[str], cables: Collection[str]) -> Objection | None:
    """Return the first thing that is wrong with a type, or None. ``cores`` and ``cables`` are the names that are known."""
    build = type_.build
    for key, name, known in (
        ("core", build.core, cores),
        ("second_core", build.second_core, cores),
        ("line", build.line, cables),
    ):
        if name is not None and name not in known:
            return Objection(
                ("build", key),
                f"{name!r} is not known; known: {', '.join(sorted(known))}",
                "Take one of these, or describe yours in a file parts.toml beside the type file.",
            )
    expected = expected_coupling_db(build)
    asked = type_.tolerance
    if abs(expected - asked.coupling) > asked.coupling_error + ROOM_DB:
        return Objection(
            ("tolerance", "coupling"),
            f"{asked.coupling:g} dB ± {asked.coupling_error:g} dB cannot be met: {_in_words(build)} give {expected:.2f} dB",
            "Change turns or coupling. A resistor inside and a 50 ohm instrument outside are in parallel: 6 dB lower.",
        )
    return None


def expected_coupling_db(build: BuildEntry) -> float:
    """Return the coupling in dB into 50 Ω of what is built, with an ideal core and no strays (sampler-closed forms).

    The winding is loaded by the internal resistor, the shunt and what leads to the port, in parallel; a series resistor
    divides, a pad and a second winding add their decibels.
    """
    series = build.series_ohm or 0.0
    siemens = 1 / (50.0 + series) + sum(1 / ohm for ohm in (build.internal_ohm, build.shunt_ohm) if ohm)
    coupling = ideal_coupling_db(build.turns, 1 / siemens) + 20 * math.log10((50.0 + series) / 50.0)
    second = ideal_coupling_db(build.second_turns) if build.second_turns else 0.0
    return coupling + second + (build.pad_db or 0.0)


def _in_words(build: BuildEntry) -> str:
    parts = [f"{build.turns} turns", f"{build.termination} termination"]
    if build.pad_db:
        parts.append(f"a pad of {build.pad_db:g} dB")
    if build.second_turns:
        parts.append(f"a second winding of {build.second_turns}")
    return ", ".join(parts)
