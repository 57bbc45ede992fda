"""Connector holes: the table of cut-outs, TOML text in, values with their sources out. Lengths in mm, as they are drawn."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from harness.errors import FileError
from harness.sampler import Source, Sourced


@dataclass(frozen=True)
class Cutout:
    """The holes for one connector, mm: ``hole`` through the panel, ``flat`` left across it, ``pitch`` and ``screw`` of the four
    screw holes, ``flange``; None where there is no such thing.
    """

    name: str
    style: str
    hole: Sourced
    flat: Sourced | None
    pitch: Sourced | None
    screw: Sourced | None
    flange: Sourced | None

    @property
    def from_memory(self) -> bool:
        """Whether any of it was written down from memory."""
        return any(one.source.memory for one in (self.hole, self.flat, self.pitch, self.screw, self.flange) if one is not None)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Stated(_Strict):
    value: float = Field(gt=0, le=100)
    source: str


class _CutoutText(_Strict):
    name: str
    style: str
    hole_mm: _Stated
    flat_mm: _Stated | None = None
    pitch_mm: _Stated | None = None
    screw_mm: _Stated | None = None
    flange_mm: _Stated | None = None


class _Text(_Strict):
    sources: dict[str, Source]
    cutout: list[_CutoutText]


def parse_cutouts(text: str, file: str = "cutouts.toml") -> Mapping[str, Cutout]:
    """Return the cut-outs by the connector's name. FileError for text that is no such table."""
    try:
        table = _Text.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise FileError(f"{file} is not TOML: {error}", file=file) from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{file}: {where}: {first['msg']}", file=file) from None

    def stated(one: _Stated | None) -> Sourced | None:
        if one is None:
            return None
        if one.source not in table.sources:
            raise FileError(
                f"{file}: the source {one.source!r} is not described", hint=f"Described: {', '.join(table.sources)}.", file=file
            )
        return Sourced(one.value, table.sources[one.source])

    found: dict[str, Cutout] = {}
    for one in table.cutout:
        hole = stated(one.hole_mm)
        if hole is not None:
            rest = (stated(value) for value in (one.flat_mm, one.pitch_mm, one.screw_mm, one.flange_mm))
            found[one.name] = Cutout(one.name, one.style, hole, *rest)
    return found
