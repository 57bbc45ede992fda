"""The build sheet: one A4 page that a builder works from and signs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from harness.analysis import Band
from harness.quantities import show_frequency, show_power
from harness.sampler.design import Design, Parts
from harness.sampler.design.made import make
from harness.sheets.build_curves import coupling_plot, series_plot
from harness.sheets.build_parts import part_lines, winding_steps
from harness.sheets.cautions import build_cautions
from harness.sheets.cutouts import Cutout
from harness.sheets.drilling import check_bar, hole_plan, hole_words
from harness.sheets.ohmmeter import meter_checks
from harness.sheets.page import render
from harness.sheets.wiring_drawing import wiring_drawing


@dataclass(frozen=True)
class Face:
    """One pattern of the drilling plan: for which connectors, the holes in words, where they come from, and the picture."""

    connector: str
    heading: str
    words: str
    memory: bool
    picture: Markup


@dataclass(frozen=True)
class Goal:
    """A figure of the finished unit: name, what is computed, what is demanded."""

    name: str
    value: str
    demand: str


def build_sheet(
    design: Design, parts: Parts, *, name: str, title: str, bands: Sequence[Band], cutouts: Mapping[str, Cutout]
) -> str:
    """Return the page of a design as HTML text. ``name`` and ``title``: the type's; ``bands``: to mark on the plots.

    The same input gives the same bytes. UsageError for a part that ``parts`` does not hold.
    """
    made = make(design.wish, design.build, parts)
    braid_end = made.first.braid_end
    faces = _faces(design, cutouts)
    return render(
        "build.html",
        title=title or design.build.title,
        subtitle=design.build.title if title else "",
        name=name,
        build=design.build,
        against=[reason.says for reason in design.reasons],
        band=f"{show_frequency(design.wish.band_hz[0])} to {show_frequency(design.wish.band_hz[1])}",
        power=f"{show_power(design.wish.line_power)}, line SWR up to {design.wish.line_swr:g}",
        cautions=build_cautions(design),
        goals=_goals(design),
        parts=part_lines(design, made),
        winding=winding_steps(made),
        wiring=wiring_drawing(design.build, braid_end),
        braid_end=braid_end,
        other_end="line out" if braid_end == "line in" else "line in",
        checks=meter_checks(made, braid_end, design.wish.spread.resistor),
        faces=faces,
        bar=check_bar(),
        coupling=coupling_plot(design, made, bands),
        series=series_plot(design, made, bands),
        memory=_gathered([*design.memory, *(f"{face.connector} connectors: holes" for face in faces if face.memory)]),
    )


def _gathered(memory: Sequence[str]) -> tuple[str, ...]:
    """Return "RG-303 (impedance, diameter)" for "RG-303: impedance" and "RG-303: diameter", in their order."""
    found: dict[str, list[str]] = {}
    for what in memory:
        part, separator, value = what.partition(": ")
        found.setdefault(part, []).extend([value] if separator else [])
    return tuple(part + (f" ({', '.join(values)})" if values else "") for part, values in found.items())


def _goals(design: Design) -> tuple[Goal, ...]:
    wish, seen, line = design.wish, design.coupling.into_50, design.line
    limits = wish.tolerances
    return (
        Goal("coupling", f"{seen.nominal_db:.2f} dB", f"{wish.coupling_db:g} ± {limits.coupling_error:g} dB"),
        Goal("flatness", f"± {seen.flatness_db:.2f} dB", f"± {limits.flatness:g} dB"),
        Goal("return loss", f"{line.return_loss_db:.1f} dB", f"≥ {limits.return_loss:g} dB"),
        Goal("insertion loss", f"{line.insertion_loss_db:.3f} dB", f"≤ {limits.insertion_loss:g} dB"),
    )


def _faces(design: Design, cutouts: Mapping[str, Cutout]) -> tuple[Face, ...]:
    build = design.build
    wanted = [("line in and line out", build.line_connectors), ("sample", build.sample_connector)]
    if build.line_connectors == build.sample_connector:
        wanted = [("line in, line out and sample", build.line_connectors)]
    found = []
    for place, (which, connector) in enumerate(wanted, start=1):
        cutout = cutouts.get(connector)
        words = (
            "size not known: measure your connector and draw its holes here"
            if cutout is None
            else f"{cutout.style}: {hole_words(cutout)}"
        )
        picture = hole_plan(connector, cutout, f"holes-{place}")
        found.append(Face(connector, f"{connector}, {which}", words, cutout is not None and cutout.from_memory, picture))
    return tuple(found)
