"""The tables of cores, materials, wires and cables: TOML text in, values with their sources out.

The text comes from ``harness/data`` (read at the edge). Each stated value names a source of its file; a source says where and
when the value was taken, and ``memory`` marks one that was written down from memory. Lengths come back in m, A_L in H.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from harness.errors import FileError, UsageError
from harness.sampler.circuit import LineSection
from harness.sampler.closed_form import wire_diameter
from harness.sampler.core import Core, CoreGeometry, InductanceCore, ToroidCore
from harness.sampler.material import ConstantMaterial, CoreMaterial, Material, RelaxationMaterial, ResonanceMaterial

INCH = 0.0254
"""One inch in m."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Source(_Strict):
    """Where a value comes from, the date of it, and whether it was written down from memory."""

    text: str = Field(min_length=1)
    date: str = Field(min_length=4)
    memory: bool = False


@dataclass(frozen=True)
class Sourced:
    """A value with its source."""

    value: float
    source: Source


class _Stated(_Strict):
    value: float = Field(gt=0)
    source: str


class _StatedTable(_Strict):
    value: list[tuple[float, float, float]]
    source: str


class _CoreText(_Strict):
    name: str
    outer_in: _Stated | None = None
    inner_in: _Stated | None = None
    height_in: _Stated | None = None
    published_a_l_nh: dict[str, list[_Stated]] = {}


class _MaterialText(_Strict):
    name: str
    model: Literal["table", "constant", "relaxation", "resonance"]
    generic: bool = False
    initial_permeability: _Stated
    curie_c: _Stated | None = None
    table: _StatedTable | None = None
    relaxation_mhz: _Stated | None = None
    resonance_mhz: _Stated | None = None
    quality: _Stated | None = None


class _WireText(_Strict):
    awg: int
    overall_mm: _Stated


class _CableText(_Strict):
    name: str
    impedance_ohm: _Stated
    outer_mm: _Stated
    velocity_factor: _Stated
    loss_db_per_100m: _Stated | None = None
    loss_mhz: _Stated | None = None
    working_volt: _Stated | None = None


class _CoresText(_Strict):
    sources: dict[str, Source]
    core: list[_CoreText]


class _MaterialsText(_Strict):
    sources: dict[str, Source]
    material: list[_MaterialText]


class _WiresText(_Strict):
    sources: dict[str, Source]
    wire: list[_WireText]


class _CablesText(_Strict):
    sources: dict[str, Source]
    cable: list[_CableText]


@dataclass(frozen=True)
class CoreSize:
    """A toroid of the table: its geometry (None if only A_L is known) and published A_L in H for each material's name."""

    name: str
    geometry: CoreGeometry | None
    geometry_source: Source | None
    published_a_l: Mapping[str, tuple[Sourced, ...]]


@dataclass(frozen=True)
class MaterialEntry:
    """A material of the table. ``source``: of its dispersion; ``generic``: a stand-in, not a catalogue grade."""

    name: str
    material: Material
    generic: bool
    source: Source
    initial_permeability: Sourced
    curie_celsius: Sourced | None


@dataclass(frozen=True)
class WireSize:
    """An enamelled wire: gauge and diameter over the enamel in m."""

    awg: int
    overall_diameter: Sourced

    @property
    def bare_diameter(self) -> float:
        """Return the copper's diameter in m (ASTM B258)."""
        return wire_diameter(self.awg)


@dataclass(frozen=True)
class Cable:
    """A coaxial line: impedance Ω, diameter m, velocity factor, loss dB/m at a frequency in Hz, working voltage V r.m.s."""

    name: str
    impedance: Sourced
    outer_diameter: Sourced
    velocity_factor: Sourced
    loss_db_per_m: Sourced | None
    loss_frequency: Sourced | None
    working_voltage: Sourced | None

    def line(self, length: float) -> LineSection:
        """Return a section of ``length`` m; a cable whose loss is not known is taken as lossless."""
        if self.loss_db_per_m is None or self.loss_frequency is None:
            loss, at = 0.0, 50e6
        else:
            loss, at = self.loss_db_per_m.value, self.loss_frequency.value
        return LineSection(
            impedance=self.impedance.value,
            length=length,
            velocity_factor=self.velocity_factor.value,
            loss_db_per_m=loss,
            loss_frequency=at,
        )


_Text = TypeVar("_Text", bound=BaseModel)


def _read(model: type[_Text], text: str, file: str) -> _Text:
    try:
        return model.model_validate(tomllib.loads(text))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise FileError(f"{file}: not a TOML file: {error}", file=file) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{file}: {where}: {first['msg']}", hint="Compare with the shipped table.", file=file) from error


@dataclass(frozen=True)
class _Sources:
    """Looks up sources of one file."""

    known: Mapping[str, Source]
    file: str

    def of(self, name: str) -> Source:
        if name not in self.known:
            raise FileError(
                f"{self.file}: the source {name!r} is not described", hint=f"Described: {', '.join(self.known)}.", file=self.file
            )
        return self.known[name]

    def value(self, stated: _Stated, scale: float = 1.0) -> Sourced:
        return Sourced(stated.value * scale, self.of(stated.source))

    def maybe(self, stated: _Stated | None, scale: float = 1.0) -> Sourced | None:
        return None if stated is None else self.value(stated, scale)

    def missing(self, entry: str, keys: str) -> FileError:
        return FileError(f"{self.file}: {entry}: {keys} must be given", hint="Compare with the shipped table.", file=self.file)


def _core_size(entry: _CoreText, sources: _Sources) -> CoreSize:
    published = {
        material: tuple(sources.value(stated, 1e-9) for stated in values) for material, values in entry.published_a_l_nh.items()
    }
    outer, inner, height = entry.outer_in, entry.inner_in, entry.height_in
    if outer is None and inner is None and height is None:
        return CoreSize(entry.name, None, None, published)
    if outer is None or inner is None or height is None:
        raise sources.missing(f"core {entry.name}", "outer_in, inner_in and height_in (all three or none)")
    try:
        geometry = CoreGeometry(outer_diameter=outer.value * INCH, inner_diameter=inner.value * INCH, height=height.value * INCH)
    except UsageError as error:
        raise FileError(f"{sources.file}: core {entry.name}: {error.message}", file=sources.file) from error
    return CoreSize(entry.name, geometry, sources.of(outer.source), published)


def parse_cores(text: str, file: str = "cores.toml") -> dict[str, CoreSize]:
    """Return the core sizes by name. Raises FileError for text that is no such table."""
    tree = _read(_CoresText, text, file)
    sources = _Sources(tree.sources, file)
    return {entry.name: _core_size(entry, sources) for entry in tree.core}


def _material(entry: _MaterialText, sources: _Sources) -> tuple[Material, Source]:
    initial = entry.initial_permeability.value
    source = sources.of(entry.initial_permeability.source)
    if entry.model == "table" and entry.table is not None:
        rows = tuple((mhz * 1e6, real, loss) for mhz, real, loss in entry.table.value)
        source = sources.of(entry.table.source)
        table = CoreMaterial(name=entry.name, initial_permeability=initial, table=rows, source=source.text)
        return table, source
    if entry.model == "relaxation" and entry.relaxation_mhz is not None:
        corner = entry.relaxation_mhz.value * 1e6
        return RelaxationMaterial(name=entry.name, initial_permeability=initial, relaxation_frequency=corner), source
    if entry.model == "resonance" and entry.resonance_mhz is not None and entry.quality is not None:
        centre, quality = entry.resonance_mhz.value * 1e6, entry.quality.value
        resonance = ResonanceMaterial(name=entry.name, initial_permeability=initial, resonance_frequency=centre, quality=quality)
        return resonance, source
    if entry.model == "constant":
        return ConstantMaterial(name=entry.name, initial_permeability=initial), source
    raise sources.missing(f"material {entry.name}", f"the values of a {entry.model} model")


def parse_materials(text: str, file: str = "materials.toml") -> dict[str, MaterialEntry]:
    """Return the core materials by name. Raises FileError for text that is no such table."""
    tree = _read(_MaterialsText, text, file)
    sources = _Sources(tree.sources, file)
    entries: dict[str, MaterialEntry] = {}
    for entry in tree.material:
        try:
            material, source = _material(entry, sources)
        except UsageError as error:
            raise FileError(f"{file}: {error.message}", hint=error.hint, file=file) from error
        entries[entry.name] = MaterialEntry(
            entry.name,
            material,
            entry.generic,
            source,
            sources.value(entry.initial_permeability),
            sources.maybe(entry.curie_c),
        )
    return entries


def parse_wires(text: str, file: str = "wires.toml") -> dict[int, WireSize]:
    """Return the wires by gauge. Raises FileError for text that is no such table."""
    tree = _read(_WiresText, text, file)
    sources = _Sources(tree.sources, file)
    return {entry.awg: WireSize(entry.awg, sources.value(entry.overall_mm, 1e-3)) for entry in tree.wire}


def parse_cables(text: str, file: str = "cables.toml") -> dict[str, Cable]:
    """Return the cables by name. Raises FileError for text that is no such table."""
    tree = _read(_CablesText, text, file)
    sources = _Sources(tree.sources, file)
    return {
        entry.name: Cable(
            entry.name,
            sources.value(entry.impedance_ohm),
            sources.value(entry.outer_mm, 1e-3),
            sources.value(entry.velocity_factor),
            sources.maybe(entry.loss_db_per_100m, 0.01),
            sources.maybe(entry.loss_mhz, 1e6),
            sources.maybe(entry.working_volt),
        )
        for entry in tree.cable
    }


def find_core(name: str, sizes: Mapping[str, CoreSize], materials: Mapping[str, MaterialEntry], *, stack: int = 1) -> Core:
    """Return the core of a part name, "FT-50-43" or "T-50-2": size, then material; ``stack`` of them one on the other.

    A size of which only A_L is known gives a core of constant inductance. Raises UsageError for a name that the tables do not
    hold, and lists what they hold.
    """
    if stack < 1:
        raise UsageError(f"stack: {stack} cores", hint="A stack has at least one core.")
    for size in sizes.values():
        material = name.removeprefix(f"{size.name}-")
        if material == name or material not in materials:
            continue
        if size.geometry is not None:
            return ToroidCore(geometry=size.geometry.stacked(stack), material=materials[material].material)
        if size.published_a_l.get(material):
            return InductanceCore(inductance=size.published_a_l[material][0].value * stack)
    raise UsageError(
        f"core {name!r} is not in the tables",
        hint=f"A name is SIZE-MATERIAL. Sizes: {', '.join(sizes)}. Materials: {', '.join(materials)}.",
    )
