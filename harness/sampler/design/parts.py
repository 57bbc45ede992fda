"""The parts that a design may use: the program's tables, and a person's own in the same format, merged over them.

A parts file is TOML with ``[sources.NAME]`` (text, date, memory) and any of ``[[core]]``, ``[[material]]``, ``[[wire]]``,
``[[cable]]``, ``[[cable_rating]]``, ``[[connector]]``, ``[[resistor]]``; the shipped tables in ``harness/data`` are the pattern.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import cache
from importlib.resources import files
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from harness.errors import FileError, UsageError
from harness.sampler.tables import (
    Cable,
    CoreSize,
    MaterialEntry,
    Source,
    Sourced,
    WireSize,
    parse_cables,
    parse_cores,
    parse_materials,
    parse_wires,
)

SHIPPED = ("cores.toml", "materials.toml", "wires.toml", "cables.toml", "cable_ratings.toml", "connectors.toml", "resistors.toml")
"""Names of the tables under ``harness/data`` that hold parts."""

MOST_CHARACTERS = 500_000


@dataclass(frozen=True)
class Connector:
    """A coaxial connector: most peak volts and most frequency in Hz, None where not known."""

    name: str
    peak_volt: Sourced | None
    most_hz: Sourced | None


@dataclass(frozen=True)
class ResistorKind:
    """A kind of resistor: W it may bear up to ``ambient`` °C, °C above ambient for each W, tolerance as a share."""

    name: str
    rating: Sourced
    rise_per_watt: Sourced
    tolerance: Sourced


@dataclass(frozen=True)
class CableRating:
    """What a cable bears: V r.m.s., and W in a long run at ``power_hz``, falling with the square root of frequency."""

    cable: str
    working_voltage: Sourced | None
    power: Sourced | None
    power_hz: Sourced | None


@dataclass(frozen=True)
class Parts:
    """All parts by name (wires by gauge)."""

    cores: Mapping[str, CoreSize] = field(default_factory=dict)
    materials: Mapping[str, MaterialEntry] = field(default_factory=dict)
    wires: Mapping[int, WireSize] = field(default_factory=dict)
    cables: Mapping[str, Cable] = field(default_factory=dict)
    cable_ratings: Mapping[str, CableRating] = field(default_factory=dict)
    connectors: Mapping[str, Connector] = field(default_factory=dict)
    resistors: Mapping[str, ResistorKind] = field(default_factory=dict)

    def merged(self, *others: Parts) -> Parts:
        """Return these parts with those of the others added; of the same name the last one counts."""
        made: dict[str, Any] = {}
        for one in fields(self):
            made[one.name] = dict(getattr(self, one.name))
            for other in others:
                made[one.name].update(getattr(other, one.name))
        return Parts(**made)

    def core_names(self) -> tuple[str, ...]:
        """Return the part names that can be bought: each size with each material that has a published A_L for it."""
        return tuple(f"{name}-{material}" for name, size in self.cores.items() for material in size.published_a_l)

    def working_voltage(self, cable: str) -> Sourced | None:
        """Return the working voltage of a cable in V r.m.s., from its own entry or the table of ratings."""
        own = self.cables[cable].working_voltage
        if own is None and cable in self.cable_ratings:
            return self.cable_ratings[cable].working_voltage
        return own

    def line_power(self, cable: str, frequency_hz: float) -> float | None:
        """Return the power in W that a long run of a cable bears at a frequency in Hz, None where it is not known."""
        rating = self.cable_ratings.get(cable)
        if rating is None or rating.power is None or rating.power_hz is None:
            return None
        return float(rating.power.value * (rating.power_hz.value / frequency_hz) ** 0.5)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Stated(_Strict):
    value: float = Field(gt=0)
    source: str


class _ConnectorText(_Strict):
    name: str
    peak_volt: _Stated | None = None
    most_mhz: _Stated | None = None


class _ResistorText(_Strict):
    name: str
    rating_watt: _Stated
    rise_c_per_watt: _Stated
    tolerance_percent: _Stated


class _RatingText(_Strict):
    name: str
    working_volt: _Stated | None = None
    power_watt: _Stated | None = None
    power_mhz: _Stated | None = None


class _OwnTables(_Strict):
    sources: dict[str, Source]
    connector: list[_ConnectorText] = []
    resistor: list[_ResistorText] = []
    cable_rating: list[_RatingText] = []


_OWN = ("connector", "resistor", "cable_rating")
_OTHERS = ("core", "material", "wire", "cable")


def parse_parts(text: str, source: str) -> Parts:
    """Return the parts of a parts file's text; FileError, naming ``source``, for what is no such file."""
    tree = _tree(text, source)
    unknown = set(tree) - {"sources", *_OWN, *_OTHERS}
    if unknown:
        raise FileError(
            f"{source}: {', '.join(sorted(unknown))}: not a table of parts",
            hint=f"Allowed: sources, {', '.join((*_OTHERS, *_OWN))}.",
            file=source,
        )
    own = _own(tree, source)
    of = _SourceOf(own.sources, source)
    return Parts(
        cores=parse_cores(_only(tree, "core"), source) if "core" in tree else {},
        materials=parse_materials(_only(tree, "material"), source) if "material" in tree else {},
        wires=parse_wires(_only(tree, "wire"), source) if "wire" in tree else {},
        cables=parse_cables(_only(tree, "cable"), source) if "cable" in tree else {},
        cable_ratings={one.name: _cable_rating(one, of) for one in own.cable_rating},
        connectors={one.name: Connector(one.name, of.maybe(one.peak_volt), of.maybe(one.most_mhz, 1e6)) for one in own.connector},
        resistors={one.name: _resistor(one, of) for one in own.resistor},
    )


@cache
def shipped_parts() -> Parts:
    """Return the parts that the program ships."""
    folder = files("harness.data")
    return Parts().merged(*(parse_parts(folder.joinpath(name).read_text(encoding="utf-8"), name) for name in SHIPPED))


def _tree(text: str, source: str) -> dict[str, Any]:
    if len(text) > MOST_CHARACTERS:
        raise FileError(f"{source} has {len(text)} characters; at most {MOST_CHARACTERS} are read", file=source)
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise FileError(f"{source} is not TOML: {error}", hint="Mend the line that is named.", file=source) from None


def _own(tree: Mapping[str, Any], source: str) -> _OwnTables:
    try:
        return _OwnTables.model_validate({key: value for key, value in tree.items() if key in ("sources", *_OWN)})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{source}: {where}: {first['msg']}", hint="Compare with the shipped table.", file=source) from None


def _only(tree: Mapping[str, Any], table: str) -> str:
    """Return the text of a file that holds this one table and the sources, as the table's own parser reads it."""
    import tomlkit

    return tomlkit.dumps({"sources": tree.get("sources", {}), table: tree[table]})


class _SourceOf:
    """Gives a stated value its source."""

    def __init__(self, known: Mapping[str, Source], file: str) -> None:
        self.known = known
        self.file = file

    def __call__(self, stated: _Stated, scale: float = 1.0) -> Sourced:
        if stated.source not in self.known:
            raise FileError(
                f"{self.file}: the source {stated.source!r} is not described",
                hint=f"Described: {', '.join(self.known)}.",
                file=self.file,
            )
        return Sourced(stated.value * scale, self.known[stated.source])

    def maybe(self, stated: _Stated | None, scale: float = 1.0) -> Sourced | None:
        return None if stated is None else self(stated, scale)


def _resistor(one: _ResistorText, of: _SourceOf) -> ResistorKind:
    return ResistorKind(one.name, of(one.rating_watt), of(one.rise_c_per_watt), of(one.tolerance_percent, 0.01))


def _cable_rating(one: _RatingText, of: _SourceOf) -> CableRating:
    return CableRating(one.name, of.maybe(one.working_volt), of.maybe(one.power_watt), of.maybe(one.power_mhz, 1e6))


_Part = TypeVar("_Part")


def find_part(what: str, name: str, table: Mapping[str, _Part]) -> _Part:
    """Return the part of this name; UsageError that lists what the table holds."""
    if name not in table:
        raise UsageError(f"{what} {name!r} is not in the tables", hint=f"Known: {', '.join(table)}.")
    return table[name]
