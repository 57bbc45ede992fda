"""The bench file: analyser, link, standards, loads, adapters, and what is simulated of them."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from harness.quantities import show_frequency
from harness.records.fields import Decibels, Farads, FileModel, Henries, Hertz, Name, Ohms, Seconds, Title, parse_toml
from harness.records.residuals import UncertaintyEntry
from harness.records.sweep import Grid


class BenchEntry(FileModel):
    """``[bench]``: what it is called."""

    name: Name
    title: Title = ""
    check_standard: Name | None = None
    """A unit that stays on the bench; proved with each calibration, it takes the calibrations' own errors out of a recheck."""


class AnalyserEntry(FileModel):
    """``[analyser]``: its address, how it is spoken to, what it can measure."""

    address: str = Field(min_length=5, max_length=300)
    dialect: str
    paths: Literal["one-path", "two-path"] = "one-path"
    connector: str = "BNC"
    timeout_margin: Seconds = Field(default=5.0, gt=0, le=600)
    double_reading: bool = False
    """Read every trace twice and compare, on links with a checksum of their own too; on serial links it is always done."""
    max_points: int | None = Field(default=None, ge=11, le=100_001)
    """The most points of one sweep of the instrument; longer grids are swept in pieces and joined. None: any number."""


class SweepEntry(FileModel):
    """``[sweep]``: the grid of every sweep."""

    low: Hertz = Field(gt=0)
    high: Hertz = Field(gt=0)
    points: int = Field(ge=11, le=100_001)
    spacing: Literal["linear", "log"] = "linear"
    averages: int = Field(default=1, ge=1, le=10_000)
    point_time: Seconds = Field(default=0.001, gt=0, le=100)

    @model_validator(mode="after")
    def _low_is_below_high(self) -> Self:
        if self.low >= self.high:
            raise ValueError(f"low {show_frequency(self.low)} is not below high {show_frequency(self.high)}")
        return self


class CorrectionEntry(FileModel):
    """``[correction]``: who corrects, and how long a calibration holds."""

    by: Literal["host", "analyser"] = "host"
    max_age_hours: float = Field(default=8.0, gt=0, le=10_000)
    isolation: bool = True
    verify_within: Decibels = Field(default=40.0, gt=0, le=100)
    """The verification sweep must agree with the calibration to this many dB below a total reflection."""


class OpenModel(FileModel):
    """An open: fringing capacitance and one-way offset delay."""

    capacitance: Farads = 0.0
    delay: Seconds = 0.0


class ShortModel(FileModel):
    """A short: series inductance and one-way offset delay."""

    inductance: Henries = 0.0
    delay: Seconds = 0.0


class LoadModel(FileModel):
    """A load: resistance with inductance in series."""

    resistance: Ohms = Field(default=50.0, gt=0)
    inductance: Henries = 0.0


class ThruModel(FileModel):
    """A thru: delay and loss."""

    delay: Seconds = 0.0
    loss: Decibels = 0.0


class StandardsEntry(FileModel):
    """``[standards]``: the models of the calibration standards; ideal unless said."""

    short: ShortModel = ShortModel()
    open: OpenModel = OpenModel()
    load: LoadModel = LoadModel()
    thru: ThruModel = ThruModel()


class LoadEntry(FileModel):
    """``[loads.A]``: a load that sits on the unit's free connectors. ``measured``: swept in ``calibrate``; else a bound."""

    return_loss: Decibels = Field(default=30.0, gt=0, le=100)
    measured: bool = True


class Adapter(FileModel):
    """``[[adapters]]``: sits on the unit's connector for the whole run, between the cable and the unit.

    Removed by calculation where a Touchstone ``file`` (port 1 toward the cable) or a ``delay`` is given; bounded by
    ``return_loss`` otherwise.
    """

    cable: str
    unit: str
    file: str | None = None
    delay: Seconds | None = None
    loss: Decibels = 0.0
    return_loss: Decibels = Field(default=40.0, gt=0, le=100)


class RepeatsEntry(FileModel):
    """``[repeats]``: how often each hook-up of a proof is taken apart, made again and swept."""

    hookup: int = Field(default=1, ge=1, le=20)


class SimulatedUnitEntry(FileModel):
    """``[simulated.units."CL-0004"]``: what is special about one simulated unit."""

    fault: str | None = None
    seed: int | None = None


class SimulatedEntry(FileModel):
    """``[simulated]``: the bench behind an address that begins with ``simulated://``."""

    seed: int = 1
    noise: Decibels = Field(default=-90.0, le=-20)
    """Trace noise of one point before averaging, relative to a total reflection."""
    repeatability: Decibels | None = Field(default=-66.0, le=-20)
    """How much a connector's reflection changes from one connection to the next; ``ideal_connectors`` switches it off."""
    ideal_connectors: bool = False
    drift: Decibels = Field(default=-70.0, le=-20)
    """How far the error terms wander in an hour, relative to a total reflection."""
    standards: Decibels | None = Field(default=None, le=-20)
    """95 % bound of how far a standard's true reflection is from its model, relative to a total one; None: as modelled."""
    thru: Decibels | None = Field(default=None, le=-20)
    """The same of the thru: of its reflection, and of its transmission over its model's."""
    linearity: Decibels = Field(default=0.0, ge=0, le=1)
    """95 % bound of what the receivers show wrongly for every 10 dB that a wave is below a total one."""
    cable_flex: Decibels | None = Field(default=None, le=-20)
    """95 % bound of what moving a cable changes of the waves in it, relative to them; None: cables are still."""
    load_return_loss: Decibels = Field(default=32.0, gt=0)
    build_spread: float = Field(default=1.0, ge=0, le=10)
    """Scale of the unit-to-unit spread; 0 builds every unit to its nominal values."""
    ready_delay: Seconds = 0.0
    units: dict[str, SimulatedUnitEntry] = {}
    mistakes: dict[str, str] = {}
    """Hook-up name → mistake that the simulated hand makes there."""


class Bench(FileModel):
    """Everything on the bench. SI numbers."""

    bench: BenchEntry
    analyser: AnalyserEntry
    sweep: SweepEntry
    correction: CorrectionEntry = CorrectionEntry()
    standards: StandardsEntry = StandardsEntry()
    loads: dict[str, LoadEntry] = Field(default={"A": LoadEntry(), "B": LoadEntry()}, min_length=1, max_length=8)
    adapters: tuple[Adapter, ...] = ()
    repeats: RepeatsEntry = RepeatsEntry()
    uncertainty: UncertaintyEntry | None = None
    simulated: SimulatedEntry | None = None

    @model_validator(mode="after")
    def _load_a_is_there(self) -> Self:
        if "A" not in self.loads:
            raise ValueError("loads: load A is missing; every hook-up of a proof uses it")
        return self

    @property
    def name(self) -> str:
        """The bench's name."""
        return self.bench.name

    @property
    def is_simulated(self) -> bool:
        """Whether the address starts the simulated bench."""
        return self.analyser.address.startswith("simulated://")

    @property
    def grid(self) -> Grid:
        """The grid of every sweep."""
        sweep = self.sweep
        return Grid(sweep.low, sweep.high, sweep.points, sweep.spacing, sweep.averages)

    def adapter_for(self, unit_connector: str) -> Adapter | None:
        """Return the adapter from the cables to ``unit_connector``, or None where none is listed."""
        for adapter in self.adapters:
            if adapter.cable == self.analyser.connector and adapter.unit == unit_connector:
                return adapter
        return None


def parse_bench(text: str, source: str) -> Bench:
    """Return the bench of a bench file's text; FileError names file, line, key, value and what is allowed."""
    return parse_toml(Bench, text, source)
