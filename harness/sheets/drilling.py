"""The drilling plan in true size: the holes of each connector, their centre crossed, and a bar of 50 mm to check a print."""

from __future__ import annotations

import math

from markupsafe import Markup

from harness.sheets.cutouts import Cutout
from harness.sheets.svg import Drawing, number

BAR = 50.0
"""Length of the check bar in mm."""
MARGIN = 4.5
"""Round a picture, mm."""
UNKNOWN = 26.0


def check_bar() -> Markup:
    """Return the bar: 50 mm between its outer marks, a mark every 10 mm."""
    drawing = Drawing(BAR + 2 * MARGIN + 3.0, 10.0, says="A bar of 50 mm with a mark every 10 mm", name="check-bar")
    y = 3.0
    drawing.line((MARGIN, y), (MARGIN + BAR, y), "line bar")
    for step in range(6):
        x = MARGIN + 10.0 * step
        drawing.line((x, y - 1.6), (x, y + 1.6), "line bar")
        drawing.text((x, y + 4.6), f"{10 * step}", "label", "middle")
    drawing.text((MARGIN + BAR + 1.8, y + 4.6), "mm", "label")
    return drawing.svg()


def hole_plan(connector: str, cutout: Cutout | None, name: str) -> Markup:
    """Return the holes for a connector in true size, the centre of the picture being the centre of the hole.

    ``cutout`` None: nothing is known of this connector, and an empty cross stands there to be drawn on. ``name``: of the picture.
    """
    if cutout is None:
        drawing = Drawing(
            UNKNOWN + 2 * MARGIN, UNKNOWN + 2 * MARGIN, says=f"Centre of a {connector} connector, size unknown", name=name
        )
        _cross(drawing, UNKNOWN)
        return drawing.svg()
    flange = cutout.flange.value if cutout.flange is not None else 0.0
    across = max(flange, cutout.hole.value)
    size = across + 2 * MARGIN
    drawing = Drawing(size, size, says=_says(connector, cutout), name=name)
    centre = size / 2
    if cutout.flange is not None:
        drawing.box((centre - flange / 2, centre - flange / 2), flange, flange, "line thin dash")
    _hole(drawing, (centre, centre), cutout)
    if cutout.pitch is not None and cutout.screw is not None:
        half = cutout.pitch.value / 2
        for x in (centre - half, centre + half):
            for y in (centre - half, centre + half):
                drawing.circle((x, y), cutout.screw.value, "line cut screw")
                _small_cross(drawing, (x, y))
    _cross(drawing, across)
    return drawing.svg()


def _hole(drawing: Drawing, centre: tuple[float, float], cutout: Cutout) -> None:
    if cutout.flat is None:
        drawing.circle(centre, cutout.hole.value, "line cut hole")
        return
    radius = cutout.hole.value / 2
    down = cutout.flat.value - radius
    half = math.sqrt(radius**2 - down**2)
    (x, y), r = centre, number(radius)
    drawing.curve(
        f"M {number(x - half)} {number(y + down)} A {r} {r} 0 1 1 {number(x + half)} {number(y + down)} Z", "line cut hole"
    )


def _cross(drawing: Drawing, across: float) -> None:
    middle, arm = drawing.width / 2, across / 2 + 3.0
    drawing.line((middle - arm, middle), (middle + arm, middle), "line thin axis")
    drawing.line((middle, middle - arm), (middle, middle + arm), "line thin axis")


def _small_cross(drawing: Drawing, at: tuple[float, float]) -> None:
    x, y = at
    drawing.line((x - 1.0, y), (x + 1.0, y), "line thin")
    drawing.line((x, y - 1.0), (x, y + 1.0), "line thin")


def _says(connector: str, cutout: Cutout) -> str:
    return f"Holes for a {connector} connector in true size: {hole_words(cutout)}"


def hole_words(cutout: Cutout) -> str:
    """Return the holes in words: "hole 16.3 mm; four holes of 3.2 mm, 18.3 mm apart"."""
    words = f"hole {cutout.hole.value:g} mm"
    if cutout.flat is not None:
        words += f", {cutout.flat.value:g} mm across the flat"
    if cutout.pitch is not None and cutout.screw is not None:
        words += f"; four holes of {cutout.screw.value:g} mm, {cutout.pitch.value:g} mm apart"
    return words
