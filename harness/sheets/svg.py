"""Drawings of our own as SVG text, in millimetres: one user unit is one millimetre, on paper and on screen.

Colours and line widths are classes, so that the page's style sheet can turn them for a dark screen. Text is escaped here.
"""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup, escape

from harness.sheets.page import printable

Point = tuple[float, float]


def number(value: float) -> str:
    """Return a coordinate: at most three decimals, no trailing zeros, no negative zero."""
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


class Drawing:
    """Collects shapes; ``svg()`` returns the picture. All lengths in mm, y downwards from the upper edge."""

    def __init__(self, width: float, height: float, *, says: str, name: str, kind: str = "drawing") -> None:
        self.width, self.height, self.says, self.name, self.kind = width, height, says, name, kind
        self._parts: list[str] = []

    def line(self, start: Point, end: Point, kind: str = "line") -> None:
        """Add a straight line."""
        (x1, y1), (x2, y2) = start, end
        self._add("line", kind, x1=x1, y1=y1, x2=x2, y2=y2)

    def path(self, points: Iterable[Point], kind: str = "line", *, closed: bool = False) -> None:
        """Add straight lines through the points."""
        text = " L ".join(f"{number(x)} {number(y)}" for x, y in points)
        self._parts.append(f'<path class="{kind}" d="M {text}{" Z" if closed else ""}"/>')

    def curve(self, commands: str, kind: str = "line") -> None:
        """Add a path of SVG's own commands, which the caller has made of numbers."""
        self._parts.append(f'<path class="{kind}" d="{escape(commands)}"/>')

    def circle(self, centre: Point, diameter: float, kind: str = "line") -> None:
        """Add a circle by its diameter."""
        self._add("circle", kind, cx=centre[0], cy=centre[1], r=diameter / 2)

    def box(self, corner: Point, width: float, height: float, kind: str = "line", round_: float = 0.0) -> None:
        """Add a rectangle by its upper left corner."""
        self._add("rect", kind, x=corner[0], y=corner[1], width=width, height=height, rx=round_)

    def text(self, at: Point, words: str, kind: str = "label", anchor: str = "start") -> None:
        """Add words; ``anchor``: start, middle or end."""
        x, y = at
        self._parts.append(
            f'<text class="{kind}" x="{number(x)}" y="{number(y)}" text-anchor="{anchor}">{escape(printable(words))}</text>'
        )

    def ground(self, at: Point, kind: str = "line") -> None:
        """Add the sign for ground, its lead ending at ``at``."""
        x, y = at
        for half, down in ((1.8, 0.0), (1.1, 0.8), (0.45, 1.6)):
            self.line((x - half, y + down), (x + half, y + down), kind)

    def resistor(self, start: Point, end: Point, kind: str = "line part") -> None:
        """Add a resistor's box (IEC 60617 style) between two points on a common horizontal or vertical, with its leads."""
        (x1, y1), (x2, y2) = start, end
        middle = ((x1 + x2) / 2, (y1 + y2) / 2)
        long, wide = 5.0, 2.0
        self.line(start, end)
        if abs(x2 - x1) >= abs(y2 - y1):
            self.box((middle[0] - long / 2, middle[1] - wide / 2), long, wide, kind)
        else:
            self.box((middle[0] - wide / 2, middle[1] - long / 2), wide, long, kind)

    def inside(self) -> Markup:
        """Return the shapes alone, for a picture with an opening of its own."""
        return Markup("".join(self._parts))  # noqa: S704  every text in it was escaped above

    def svg(self) -> Markup:
        """Return the picture in its true size, with a title for those who cannot see it."""
        width, height = number(self.width), number(self.height)
        opening = (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="{self.kind}" role="img" width="{width}mm" height="{height}mm" '
            f'viewBox="0 0 {width} {height}" aria-labelledby="{escape(self.name)}-title">'
            f'<title id="{escape(self.name)}-title">{escape(printable(self.says))}</title>'
        )
        return Markup(opening + "".join(self._parts) + "</svg>")  # noqa: S704  every text in it was escaped above

    def _add(self, shape: str, kind: str, **values: float) -> None:
        told = "".join(f' {name}="{number(value)}"' for name, value in values.items())
        self._parts.append(f'<{shape} class="{kind}"{told}/>')
