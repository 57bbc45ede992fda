"""The wiring drawing and the picture of the winding: what goes where, drawn by us for each design."""

from __future__ import annotations

import math

from markupsafe import Markup

from harness.sampler.circuit import Pad
from harness.sampler.design import Build
from harness.sheets.svg import Drawing

WIDTH, HEIGHT = 92.0, 50.0
_AXIS = 14.5
_CORE = 42.0


def wiring_drawing(build: Build, braid_end: str) -> Markup:
    """Return the wiring of a build: line, braid and its ground, winding or two, resistors, sample connector. 92 mm by 50 mm."""
    drawing = Drawing(WIDTH, HEIGHT, says=_says(build, braid_end), name="wiring")
    drawing.box((6.0, 3.0), WIDTH - 12.0, HEIGHT - 8.0, "line thin", 1.5)
    drawing.text((8.0, HEIGHT - 6.6), "metal box = ground", "label small")
    _line(drawing, build, braid_end)
    _core(drawing, (_CORE, _AXIS), f"{build.turns} turns")
    hot = _winding(drawing, (_CORE, _AXIS)) if build.second_turns is None else _second(drawing, build)
    _to_port(drawing, build, hot)
    return drawing.svg()


def _says(build: Build, braid_end: str) -> str:
    second = "" if build.second_turns is None else f", whose wire passes a second core of {build.second_turns} turns"
    return (
        f"Wiring: the line runs through a core of {build.turns} turns{second}; the braid is grounded at {braid_end} only; the "
        "winding goes from ground to the sample connector"
    )


def _line(drawing: Drawing, build: Build, braid_end: str) -> None:
    left, right = 6.0, WIDTH - 6.0
    for x, words, anchor in ((left, "line in", "start"), (right, "line out", "end")):
        drawing.box((x - 2.2, _AXIS - 4.0), 4.4, 8.0, "line part")
        drawing.text((x + (3.2 if anchor == "start" else -3.2), 7.6), words, "label strong", anchor)
    drawing.line((left, _AXIS), (right, _AXIS), "line heavy")
    start, end = left + 9.0, right - 9.0
    for y in (_AXIS - 1.7, _AXIS + 1.7):
        drawing.line((start, y), (end, y), "line braid")
    grounded, loose = (start, end) if braid_end == "line in" else (end, start)
    drawing.path([(grounded, _AXIS + 1.7), (grounded, _AXIS + 5.2)], "line heavy accent")
    drawing.ground((grounded, _AXIS + 5.2), "line heavy accent")
    side, anchor = (-2.0, "start") if braid_end == "line in" else (2.0, "end")
    drawing.text((grounded + side, _AXIS + 10.2), "braid grounded here", "label small strong", anchor)
    drawing.text((grounded + side, _AXIS + 12.9), "and only here", "label small strong", anchor)
    turn = -1.0 if loose < grounded else 1.0
    drawing.line((loose + turn * 0.7, _AXIS - 2.8), (loose + turn * 0.7, _AXIS + 2.8), "line dash")
    drawing.text((loose, _AXIS + 6.2), "braid ends here,", "label small", "middle")
    drawing.text((loose, _AXIS + 8.9), "joined to nothing", "label small", "middle")
    drawing.text((_CORE + 18.0, _AXIS - 2.9), build.line, "label small")


def _core(drawing: Drawing, at: tuple[float, float], words: str) -> None:
    """A toroid seen from its side: two cut faces, above and below the line."""
    x, y = at
    for top in (y - 8.2, y + 3.0):
        drawing.box((x - 3.2, top), 6.4, 5.2, "line core", 0.8)
    drawing.text((x + 4.2, y - 6.6), words, "label small")


def _winding(drawing: Drawing, at: tuple[float, float], down: float = 12.0) -> tuple[float, float]:
    """Draw the turns round the lower section and both ends; return where the hot end is, ``down`` mm under the section."""
    x, y = at[0], at[1] + 3.0
    for step in range(4):
        left = x - 2.4 + 1.6 * step
        drawing.line((left - 0.3, y - 0.5), (left + 0.3, y + 5.7), "line wire")
    drawing.path([(x - 2.1, y + 5.7), (x - 2.1, y + 12.0)], "line wire")
    drawing.ground((x - 2.1, y + 12.0), "line wire")
    drawing.text((x - 4.6, y + 12.8), "one end to ground", "label small", "end")
    drawing.path([(x + 2.7, y + 5.7), (x + 2.7, y + down)], "line wire")
    return x + 2.7, y + down


def _second(drawing: Drawing, build: Build) -> tuple[float, float]:
    """Draw the first winding's wire through a second core to ground, and the second winding; return its hot end."""
    at = (60.0, 28.0)
    hot = _winding(drawing, (_CORE, _AXIS), at[1] - _AXIS - 3.0)
    drawing.path([hot, (at[0] + 7.0, at[1])], "line wire")
    drawing.path([(at[0] + 7.0, at[1]), (at[0] + 7.0, at[1] + 1.2)], "line wire")
    drawing.ground((at[0] + 7.0, at[1] + 1.2), "line wire")
    for top in (at[1] - 4.6, at[1] + 1.4):
        drawing.box((at[0] - 2.4, top), 4.8, 3.2, "line core", 0.6)
    drawing.text((at[0] + 3.2, at[1] - 2.4), f"{build.second_turns} turns", "label small")
    y = at[1] + 1.4
    for step in range(3):
        drawing.line((at[0] - 1.7 + 1.6 * step, y - 0.4), (at[0] - 1.2 + 1.6 * step, y + 3.6), "line wire")
    drawing.path([(at[0] - 1.2, y + 3.6), (at[0] - 1.2, y + 5.2)], "line wire")
    drawing.ground((at[0] - 1.2, y + 5.2), "line wire")
    return at[0] + 2.0, y + 3.6


def _to_port(drawing: Drawing, build: Build, hot: tuple[float, float]) -> None:
    """Draw what stands between the winding's hot end and the sample connector in the lower wall."""
    y, port = HEIGHT - 17.0, WIDTH - 12.0
    drawing.path([hot, (hot[0], y)], "line wire")
    x, at = hot[0], hot[0] + 3.6
    for kind, words in _resistors(build):
        if kind == "across":
            drawing.line((x, y), (at, y), "line wire")
            drawing.resistor((at, y), (at, y + 7.4))
            drawing.ground((at, y + 7.4))
            drawing.text((at + 1.5, y + 4.5), words, "label small")
            x, at = at, at + 9.6
        else:
            drawing.resistor((x, y), (x + 9.6, y))
            drawing.text((x + 4.8, y - 1.8), words, "label small", "middle")
            x, at = x + 9.6, x + 10.2
    drawing.path([(x, y), (port, y), (port, HEIGHT - 6.0)], "line wire")
    drawing.box((port - 4.0, HEIGHT - 7.2), 8.0, 4.4, "line part")
    drawing.text((port, HEIGHT - 0.7), "sample", "label strong", "middle")


def _resistors(build: Build) -> list[tuple[str, str]]:
    """Return the resistors from the winding to the port: "across" or "along", with their value in words."""
    found: list[tuple[str, str]] = []
    if build.internal_ohm is not None:
        found.append(("across", f"{build.internal_ohm:g} Ω"))
    pad: Pad | None = build.pad
    if pad is not None and pad.kind == "pi":
        found += [("across", f"{pad.first:g} Ω"), ("along", f"{pad.second:g} Ω"), ("across", f"{pad.third:g} Ω")]
    elif build.shunt_ohm is not None:
        found.append(("across", f"{build.shunt_ohm:g} Ω"))
        if build.series_ohm:
            found.append(("along", f"{build.series_ohm:g} Ω"))
    return found


def winding_picture(
    turns: int, outer: float, inner: float, wire: float, gap_degrees: float, *, name: str, across: float
) -> Markup:
    """Return the core from its face with its turns spread round it and the gap left open; lengths in m.

    ``across``: the core's diameter in the picture, mm.
    """
    scale = across / outer
    size = across + 4.0
    drawing = Drawing(size, size, says=f"{turns} turns spread round the core, {gap_degrees:.0f}° left open", name=name)
    centre = size / 2
    drawing.circle((centre, centre), outer * scale, "line core")
    drawing.circle((centre, centre), inner * scale, "line paper")
    thick = max(wire * scale, 0.25)
    inside, outside = inner * scale / 2 - thick * 0.6, outer * scale / 2 + thick * 0.6
    for turn in range(turns):
        angle = math.radians(90 + gap_degrees / 2 + (360 - gap_degrees) * (turn + 0.5) / turns)
        x, y = math.cos(angle), math.sin(angle)
        ends = [(centre + x * r, centre + y * r) for r in (max(inside, 0.2), outside)]
        drawing.line(ends[0], ends[1], "line wire turn")
    return drawing.svg()
