"""Where to look for a fault: the sampler opened up, with a number at each place that an explanation names."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from harness.records import FaultEntry, SamplerType
from harness.sheets.svg import Drawing, Point

WIDTH, HEIGHT = 84.0, 45.0
AXIS, CORE, PORT = 13.0, 42.0, 70.0
MOST = 3
"""Explanations that get a number."""

_WINDING, _TOP = (CORE + 7.6, AXIS + 6.6), (CORE, AXIS - 8.6)
_IN, _OUT, _SAMPLE = (6.0, AXIS - 7.0), (WIDTH - 6.0, AXIS - 7.0), (PORT + 8.0, HEIGHT - 8.0)
_BRAID_IN, _BRAID_OUT, _LOAD = (16.5, AXIS + 5.6), (WIDTH - 17.0, AXIS + 5.6), (PORT - 9.5, AXIS + 13.6)
_LINE_IN, _LINE_OUT = (25.5, AXIS - 4.4), (58.5, AXIS - 4.4)

PLACES: dict[str, tuple[Point, ...]] = {
    "turns": (_WINDING,),
    "shorted turns": (_WINDING,),
    "open winding": ((CORE - 6.8, AXIS + 11.0), (CORE + 7.6, AXIS + 11.0)),
    "double termination": (_LOAD, _SAMPLE),
    "termination missing": (_LOAD,),
    "resistor out of value": (_LOAD,),
    "braid grounded at both ends": (_BRAID_IN, _BRAID_OUT),
    "braid grounded at neither end": (_BRAID_IN, _BRAID_OUT),
    "wrong core": (_TOP,),
    "cracked core": (_TOP,),
    "line mismatch": (_LINE_IN, _LINE_OUT),
    "high-resistance joint": (_IN, _OUT, _SAMPLE, (CORE - 6.8, AXIS + 11.0)),
}
_AT = {"line in": _IN, "line out": _OUT, "sample": _SAMPLE, "winding": (CORE - 6.8, AXIS + 11.0)}
_ON_LINE = {"line in": _LINE_IN, "line out": _LINE_OUT}


def places_of(fault: FaultEntry) -> tuple[Point, ...]:
    """Return where in the drawing to look for a fault; nothing where it has no place ("unexplained")."""
    if fault.where is not None and fault.fault in ("high-resistance joint", "line mismatch"):
        named = (_ON_LINE if fault.fault == "line mismatch" else _AT).get(fault.where)
        if named is not None:
            return (named,)
    return PLACES.get(fault.fault, ())


def where_to_look(faults: Sequence[FaultEntry], type_: SamplerType) -> Markup | None:
    """Return the drawing, 84 mm by 45 mm; None where no explanation has a place."""
    marked = [(count, fault, places_of(fault)) for count, fault in enumerate(faults[:MOST], start=1)]
    if not any(places for _, _, places in marked):
        return None
    told = "; ".join(f"{count}: {fault.fault}" for count, fault, places in marked if places)
    drawing = Drawing(WIDTH, HEIGHT, says=f"Where to look in the open sampler: {told}", name="look")
    _sampler(drawing, type_)
    taken: list[Point] = []
    for count, _, places in marked:
        for x, y in places:
            shift = 4.6 * sum(1 for place in taken if place == (x, y))
            taken.append((x, y))
            drawing.circle((x + shift, y), 4.0, "spot")
            drawing.text((x + shift, y + 1.0), str(count), "label spot-number", "middle")
    return drawing.svg()


def _sampler(drawing: Drawing, type_: SamplerType) -> None:
    drawing.box((6.0, 1.2), WIDTH - 12.0, HEIGHT - 5.4, "line thin", 1.5)
    _line(drawing)
    for top in (AXIS - 6.6, AXIS + 2.6):
        drawing.box((CORE - 3.0, top), 6.0, 4.2, "line core", 0.7)
    drawing.text((CORE + 4.0, AXIS - 4.6), "core", "label small")
    for step in range(4):
        x = CORE - 2.4 + 1.6 * step
        drawing.line((x - 0.3, AXIS + 2.2), (x + 0.3, AXIS + 7.2), "line wire")
    drawing.path([(CORE - 2.1, AXIS + 7.2), (CORE - 2.1, AXIS + 15.0)], "line wire")
    drawing.ground((CORE - 2.1, AXIS + 15.0), "line wire")
    drawing.text((CORE - 4.4, AXIS + 6.4), "winding", "label small", "end")
    y = AXIS + 10.0
    drawing.path([(CORE + 2.7, AXIS + 7.2), (CORE + 2.7, y), (PORT, y), (PORT, HEIGHT - 4.2)], "line wire")
    inside = type_.build.termination == "internal" or type_.build.shunt_ohm is not None or type_.build.pad_db is not None
    x = PORT - 14.0
    drawing.resistor((x, y), (x, y + 7.4), "line part" if inside else "line part dash")
    drawing.ground((x, y + 7.4))
    drawing.text((x, y + 12.0), "resistor" if inside else "no resistor here", "label small", "middle")
    drawing.box((PORT - 3.4, HEIGHT - 6.4), 6.8, 4.4, "line part")
    drawing.text((PORT - 4.6, HEIGHT - 5.6), "sample", "label strong", "end")


def _line(drawing: Drawing) -> None:
    left, right = 6.0, WIDTH - 6.0
    for x, words, anchor in ((left, "line in", "start"), (right, "line out", "end")):
        drawing.box((x - 2.0, AXIS - 3.4), 4.0, 6.8, "line part")
        drawing.text((x + (3.4 if anchor == "start" else -3.4), AXIS - 6.2), words, "label strong", anchor)
    drawing.line((left, AXIS), (right, AXIS), "line heavy")
    start, end = left + 7.0, right - 7.0
    for y in (AXIS - 1.6, AXIS + 1.6):
        drawing.line((start, y), (end, y), "line braid")
    for x, kind in ((start, "line"), (end, "line dash")):
        drawing.path([(x, AXIS + 1.6), (x, AXIS + 6.0)], kind)
        drawing.ground((x, AXIS + 6.0), kind)
    drawing.text((start - 4.6, AXIS + 11.4), "braid grounded", "label small")
    drawing.text((start - 4.6, AXIS + 14.2), "at one end only", "label small")
