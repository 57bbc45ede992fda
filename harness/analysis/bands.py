"""Amateur bands, as a table that is handed in."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from harness.quantities import show_frequency
from harness.records.fields import FileModel, Hertz, parse_toml


class Band(FileModel):
    """One band, edges in Hz."""

    name: str
    low_hz: float
    high_hz: float

    @property
    def centre_hz(self) -> float:
        """The middle of the band in Hz."""
        return (self.low_hz + self.high_hz) / 2


class _Edges(FileModel):
    low: Hertz = Field(gt=0)
    high: Hertz = Field(gt=0)

    @model_validator(mode="after")
    def _low_is_below_high(self) -> Self:
        if self.low >= self.high:
            raise ValueError(f"low {show_frequency(self.low)} is not below high {show_frequency(self.high)}")
        return self


class _BandFile(FileModel):
    source: str
    bands: dict[str, _Edges] = Field(min_length=1)


def parse_bands(text: str, source: str) -> tuple[Band, ...]:
    """Return the bands of a band file's text, in its order; FileError names file, line, key, value and what is allowed."""
    table = parse_toml(_BandFile, text, source)
    return tuple(Band(name=name, low_hz=edges.low, high_hz=edges.high) for name, edges in table.bands.items())
