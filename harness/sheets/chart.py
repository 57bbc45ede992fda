"""Charts of our own as SVG text, quick to make: curves over log frequency with the amateur bands marked, values in dB upwards.

One user unit is about a millimetre in print. The page's style sheet gives colours, dashes and the size on the screen; a script
of the page reads frequency and value back from the curves' own coordinates, so the picture is complete without it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from harness.analysis import Band
from harness.sheets.page import printable
from harness.sheets.svg import Drawing, number

Floats = NDArray[np.float64]
LEFT, RIGHT, TOP, BOTTOM = 11.0, 3.6, 4.8, 8.4
"""Room round the field for the axes' words."""
STRIP = 4.6
"""The lowest part of the field belongs to the bands' marks and names."""
MOST_POINTS = 201
_STEPS = tuple(digit * 10.0**power for power in range(-4, 4) for digit in (1, 2, 5))
_TICKS = tuple(digit * 10.0**power for power in range(2, 11) for digit in (1, 2, 5))
TICK_ROOM = 6.5
TICK_HEIGHT = 4.5
NAME_ROOM = 8.5


def signed(value: float, digits: int | None = None) -> str:
    """Return a number for an axis, with the minus sign of print."""
    text = number(value) if digits is None else f"{value:.{digits}f}"
    return text.replace("-", "−")


def value_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round values from ``low`` to ``high``, at most ``most`` steps apart."""
    step = next((step for step in _STEPS if (high - low) / step <= most), high - low)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [round(count * step, 6) for count in range(first, last + 1)]


def worst_points(hz: Floats, values: Floats, *, low_is_worst: bool, most: int = MOST_POINTS) -> tuple[Floats, Floats]:
    """Return at most ``most`` points: of each of so many steps of log frequency the worst one, so that none gets lost."""
    if hz.size <= most:
        return hz, values
    place = np.log(hz / hz[0]) / math.log(hz[-1] / hz[0])
    group = np.minimum((place * most).astype(int), most - 1)
    order = np.lexsort((values if low_is_worst else -values, group))
    chosen = order[np.unique(group[order], return_index=True)[1]]
    return hz[chosen], values[chosen]


class FrequencyChart:
    """Curves over log frequency. ``name``: of the picture, unique in its page; ``says``: it in words; ``unit``: of the values."""

    def __init__(
        self,
        name: str,
        says: str,
        y_label: str,
        *,
        hz: tuple[float, float],
        values: tuple[float, float],
        unit: str = "dB",
        digits: int = 2,
        size: tuple[float, float] = (120.0, 52.0),
    ) -> None:
        self.hz, self.values, self.unit, self.digits = hz, values, unit, digits
        self._drawing = Drawing(*size, says=says, name=name)
        self._name = name
        self._parts: list[str] = []
        self._field = (LEFT, TOP, size[0] - RIGHT, size[1] - BOTTOM)
        self._axes(y_label)

    def x(self, hz: float) -> float:
        """Return where a frequency stands."""
        left, _, right, _ = self._field
        return left + (right - left) * math.log(hz / self.hz[0]) / math.log(self.hz[1] / self.hz[0])

    def y(self, value: float) -> float:
        """Return where a value stands; values far outside stay in reach of the picture."""
        top, bottom = self._field[1], self._field[3] - STRIP
        place = (value - self.values[0]) / (self.values[1] - self.values[0])
        return bottom - (bottom - top) * min(max(place, -3.0), 4.0)

    def curve(self, label: str, hz: Floats, values: Floats, kind: str = "c1") -> None:
        """Add a curve; ``label`` is what the read-out calls it."""
        commands = self._path(hz, values)
        self._parts.append(f'<path class="curve {kind}" data-name="{escape(printable(label))}" d="{commands}"/>')

    def between(self, hz: Floats, low: Floats, high: Floats, kind: str = "interval") -> None:
        """Fill what lies between two curves."""
        there, back = self._path(hz, low), self._path(hz[::-1], high[::-1])
        self._parts.append(f'<path class="{kind}" d="{there} L{back[1:]} Z"/>')

    def edge(self, hz: Floats, values: Floats) -> None:
        """Draw the edge of what is allowed; the read-out leaves it out."""
        self._parts.append(f'<path class="edge" d="{self._path(hz, values)}"/>')

    def span(self, hz: tuple[float, float], kind: str = "span") -> None:
        """Shade a range of frequencies."""
        left, right = (self.x(min(max(one, self.hz[0]), self.hz[1])) for one in hz)
        _, top, _, bottom = self._field
        width = max(right - left, 0.4)
        self._parts.append(
            f'<rect class="{kind}" x="{number(left)}" y="{number(top)}" width="{number(width)}" height="{number(bottom - top)}"/>'
        )

    def limit(
        self,
        value: float,
        hz: tuple[float, float],
        words: str = "",
        *,
        above: bool = True,
        ends: bool = True,
        kind: str = "limit",
    ) -> None:
        """Add a limit's line over a range of frequencies, with words and a small mark at each end."""
        left, right, y = self.x(max(hz[0], self.hz[0])), self.x(min(hz[1], self.hz[1])), self.y(value)
        self._drawing.line((left, y), (right, y), kind)
        if ends:
            for x in (left, right):
                self._drawing.line((x, y - 0.9), (x, y + 0.9), kind)
        if words:
            self._drawing.text(((left + right) / 2, y - 1.2 if above else y + 3.0), words, "label small", "middle")

    def bands(self, bands: Sequence[Band]) -> None:
        """Mark the bands along the axis; a name only where it has room."""
        bottom, last = self._field[3], -math.inf
        for band in sorted(bands, key=lambda one: one.low_hz):
            if not (self.hz[0] <= band.low_hz and band.high_hz <= self.hz[1]):
                continue
            left, right = self.x(band.low_hz), self.x(band.high_hz)
            width = max(right - left, 0.5)
            self._drawing.box(((left + right - width) / 2, bottom - 0.9), width, 0.9, "mark")
            if (left + right) / 2 - last > NAME_ROOM:
                last = (left + right) / 2
                half = 0.6 * len(band.name)  # a name at the field's edge stays inside it
                place = min(max(last, self._field[0] + half + 0.5), self._field[2] - half)
                self._drawing.text((place, bottom - 1.6), band.name, "label small", "middle")

    def svg(self) -> Markup:
        """Return the picture, as wide as its place in the page."""
        drawing, name = self._drawing, escape(self._name)
        left, top, right, bottom = self._field
        field = " ".join(number(edge) for edge in (left, top, right, bottom - STRIP))
        scale = " ".join(repr(edge) for edge in (*self.hz, *self.values))
        opening = (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="drawing chart" role="img" aria-labelledby="{name}-title" '
            f'viewBox="0 0 {number(drawing.width)} {number(drawing.height)}" data-field="{field}" data-scale="{scale}" '
            f'data-unit="{escape(self.unit)}" data-digits="{self.digits}">'
            f'<title id="{name}-title">{escape(printable(drawing.says))}</title>'
            f'<clipPath id="{name}-field"><rect x="{number(left)}" y="{number(top)}" width="{number(right - left)}" '
            f'height="{number(bottom - STRIP - top)}"/></clipPath>'
        )
        curves = f'<g clip-path="url(#{name}-field)">{"".join(self._parts)}</g>'
        return Markup(f"{opening}{drawing.inside()}{curves}</svg>")  # noqa: S704  every text in it was escaped

    def _path(self, hz: Floats, values: Floats) -> str:
        points = [(self.x(float(f)), self.y(float(v))) for f, v in zip(hz, values, strict=True)]
        return "M" + " L".join(f"{number(x)} {number(y)}" for x, y in points)

    def _axes(self, y_label: str) -> None:
        left, top, right, bottom = self._field
        ticks = value_ticks(*self.values, most=max(2, min(6, int((bottom - STRIP - top) / TICK_HEIGHT))))
        digits = max((len(number(tick).partition(".")[2]) for tick in ticks), default=0)
        for tick in ticks:
            self._drawing.line((left, self.y(tick)), (right, self.y(tick)), "grid")
            self._drawing.text((left - 1.2, self.y(tick) + 0.95), signed(tick, digits), "label", "end")
        last = -math.inf
        for tick in (tick for tick in _TICKS if self.hz[0] * (1 - 1e-9) <= tick <= self.hz[1] * (1 + 1e-9)):
            self._drawing.line((self.x(tick), top), (self.x(tick), bottom), "grid")
            if self.x(tick) - last > TICK_ROOM:
                last = self.x(tick)
                self._drawing.text((last, bottom + 3.4), f"{tick / 1e6:g}", "label", "middle")
        self._drawing.path([(left, top), (left, bottom), (right, bottom)], "axes")
        self._drawing.text((0.5, 3.2), y_label, "label")
        self._drawing.text(((left + right) / 2, bottom + 7.2), "frequency, MHz", "label", "middle")
