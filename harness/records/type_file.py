"""The type file: a design and its tolerances."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from harness.quantities import show_frequency
from harness.records.fields import Decibels, FileModel, Hertz, Name, Ohms, Title, Watts, parse_toml


class TypeEntry(FileModel):
    """``[type]``: what it is called."""

    name: Name
    title: Title = ""
    recheck_months: int | None = Field(default=None, ge=1, le=240)


class BuildEntry(FileModel):
    """``[build]``: how it is made."""

    turns: int = Field(ge=1, le=1000)
    core: str
    stack: int = Field(default=1, ge=1, le=8)
    wire_awg: int = Field(ge=10, le=40)
    line: str
    termination: Literal["external", "internal"]
    internal_ohm: float | None = Field(default=None, gt=0, le=10_000)
    pad_db: Decibels | None = None
    shunt_ohm: Ohms | None = None
    series_ohm: Ohms | None = None
    second_turns: int | None = Field(default=None, ge=1, le=1000)
    second_core: str | None = None
    line_connectors: str
    sample_connector: str

    @model_validator(mode="after")
    def _termination_is_complete(self) -> Self:
        if self.termination == "internal" and self.internal_ohm is None:
            raise ValueError('termination is "internal": internal_ohm is missing (for instance internal_ohm = 50)')
        if self.termination == "external" and self.internal_ohm is not None:
            raise ValueError('internal_ohm is given, but termination is "external"')
        return self


class BandEntry(FileModel):
    """``[band]``: where the tolerances hold."""

    low: Hertz = Field(gt=0)
    high: Hertz = Field(gt=0)

    @model_validator(mode="after")
    def _low_is_below_high(self) -> Self:
        if self.low >= self.high:
            raise ValueError(f"low {show_frequency(self.low)} is not below high {show_frequency(self.high)}")
        return self


class UseEntry(FileModel):
    """``[use]``: what the line will carry."""

    line_power: Watts = Field(gt=0)
    line_swr: float = Field(default=1.5, ge=1, le=100)


class ToleranceEntry(FileModel):
    """``[tolerance]``: what a unit must meet, in dB."""

    coupling: Decibels = Field(gt=0, le=100)
    coupling_error: Decibels = Field(gt=0, le=20)
    flatness: Decibels = Field(gt=0, le=20)
    return_loss: Decibels = Field(gt=0, le=80)
    insertion_loss: Decibels = Field(gt=0, le=20)


class SamplerType(FileModel):
    """A design and its tolerances; many units are built to one type. Hz, dB, W and Ω as numbers."""

    type: TypeEntry
    build: BuildEntry
    band: BandEntry
    use: UseEntry
    tolerance: ToleranceEntry

    @property
    def name(self) -> str:
        """The type's name."""
        return self.type.name

    @property
    def band_hz(self) -> tuple[float, float]:
        """The band's edges in Hz."""
        return (self.band.low, self.band.high)


def parse_type(text: str, source: str) -> SamplerType:
    """Return the type of a type file's text; FileError names file, line, key, value and what is allowed."""
    return parse_toml(SamplerType, text, source)
