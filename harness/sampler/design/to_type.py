"""From a design to the record that a type file holds, and back."""

from __future__ import annotations

from pydantic import ValidationError

from harness.errors import UsageError
from harness.records import SamplerType
from harness.sampler.design.engine import of_build
from harness.sampler.design.pads import wished_pad
from harness.sampler.design.parts import Parts
from harness.sampler.design.result import Build, Design
from harness.sampler.design.wish import DesignWish, Kind, Tolerances


def to_type(found: Design, name: str, title: str = "", recheck_months: int | None = None) -> SamplerType:
    """Return the type of a design, with the tolerances and the use of its wish. UsageError for a name that no type may have."""
    build, wish = found.build, found.wish
    tree = {
        "type": {"name": name, "title": title or build.title, "recheck_months": recheck_months},
        "build": {
            "turns": build.turns,
            "core": build.core,
            "stack": build.stack,
            "wire_awg": build.wire_awg,
            "line": build.line,
            "termination": build.termination,
            "internal_ohm": build.internal_ohm,
            "pad_db": _with_unit(build.pad_db, "dB"),
            "shunt_ohm": _with_unit(build.shunt_ohm, "ohm"),
            "series_ohm": _with_unit(build.series_ohm, "ohm"),
            "second_turns": build.second_turns,
            "second_core": build.second_core,
            "line_connectors": build.line_connectors,
            "sample_connector": build.sample_connector,
        },
        "band": {"low": _with_unit(wish.band_hz[0], "Hz"), "high": _with_unit(wish.band_hz[1], "Hz")},
        "use": {"line_power": _with_unit(wish.line_power, "W"), "line_swr": wish.line_swr},
        "tolerance": {
            "coupling": _with_unit(wish.coupling_db, "dB"),
            "coupling_error": _with_unit(wish.tolerances.coupling_error, "dB"),
            "flatness": _with_unit(wish.tolerances.flatness, "dB"),
            "return_loss": _with_unit(wish.tolerances.return_loss, "dB"),
            "insertion_loss": _with_unit(wish.tolerances.insertion_loss, "dB"),
        },
    }
    try:
        return SamplerType.model_validate(tree)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"this design makes no type: {where}: {first['msg']}", hint="Give another name or wish.") from None


def of_type(sampler_type: SamplerType, parts: Parts, draws: int = 2000) -> Design:
    """Return the complete design of a type, as its file has it; UsageError for a part that the tables do not hold."""
    build = sampler_type.build
    pad = None if build.pad_db is None else wished_pad(build.pad_db)
    whole = Build(
        kind=_kind_of(sampler_type),
        turns=build.turns,
        core=build.core,
        stack=build.stack,
        wire_awg=build.wire_awg,
        line=build.line,
        termination=build.termination,
        internal_ohm=build.internal_ohm,
        pad=None if pad is None else pad.pad,
        pad_db=None if pad is None else pad.attenuation_db,
        shunt_ohm=build.shunt_ohm,
        series_ohm=None if build.shunt_ohm is None else build.series_ohm or 0.0,
        second_turns=build.second_turns,
        second_core=None if build.second_turns is None else build.second_core or build.core,
        line_connectors=build.line_connectors,
        sample_connector=build.sample_connector,
    )
    return of_build(_wish_of(sampler_type, whole, draws), whole, parts)


def _wish_of(sampler_type: SamplerType, build: Build, draws: int) -> DesignWish:
    stated = sampler_type.tolerance
    return DesignWish(
        coupling_db=stated.coupling,
        band_hz=sampler_type.band_hz,
        line_power=sampler_type.use.line_power,
        line_swr=sampler_type.use.line_swr,
        core=build.core,
        stack=build.stack,
        turns=build.turns,
        wire_awg=build.wire_awg,
        line=build.line,
        kind=build.kind,
        termination=build.termination,
        internal_ohm=build.internal_ohm or 50.0,
        line_connectors=build.line_connectors,
        sample_connector=build.sample_connector,
        tolerances=Tolerances(
            coupling_error=stated.coupling_error,
            flatness=stated.flatness,
            return_loss=stated.return_loss,
            insertion_loss=stated.insertion_loss,
        ),
        draws=draws,
    )


def _kind_of(sampler_type: SamplerType) -> Kind:
    build = sampler_type.build
    if build.second_turns is not None:
        return "two windings"
    if build.shunt_ohm is not None:
        return "low-value load"
    return "bare winding" if build.pad_db is None else "winding and pad"


def _with_unit(value: float | None, unit: str) -> str | None:
    return None if value is None else f"{float(value)!r} {unit}"
