"""The run chart: each unit's nominal coupling in the order of building, with centre and limits. An open ring is a unit that
does not conform or is left out of the statistics."""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup

from harness.analysis.batch import BatchStatistics, BatchUnit
from harness.sheets.chart import signed, value_ticks
from harness.sheets.svg import Drawing

SIZE = (186.0, 52.0)
LEFT, RIGHT, TOP, BOTTOM = 11.0, 26.0, 4.6, 8.4
NAME_ROOM = 15.0
MOST_LETTERS = 9


def run_chart(name: str, found: BatchStatistics, units: Mapping[str, BatchUnit]) -> Markup | None:
    """Return the chart of a type's units; None where none has a coupling."""
    values = [None if (unit := units.get(one)) is None else unit.value("coupling_db") for one in found.order]
    known = [value for value in values if value is not None]
    if not known:
        return None
    limits = () if isinstance(found.chart, str) else (found.chart.low, found.chart.centre, found.chart.high)
    low, high = _range([*known, *limits], found.allowed_db)
    chart = _Field(name, f"Nominal coupling of {len(known)} units in the order of building", low, high)
    chart.axes()
    if limits:
        chart.limits(dict(zip(("lower limit", "centre", "upper limit"), limits, strict=True)))
    chart.points(found.order, values, units)
    return chart.drawing.svg()


def _range(values: list[float], allowed: tuple[float, float]) -> tuple[float, float]:
    """Return what the chart shows: all values and limits, but no more than the tolerance and a quarter of it on either side."""
    beside = (allowed[1] - allowed[0]) / 4
    least, most = allowed[0] - beside, allowed[1] + beside
    low, high = max(min(values), least), min(max(values), most)
    if low >= high:  # one value, or all of them beyond one side
        low, high = min(low, least), max(high, most)
    room = 0.1 * (high - low)
    return low - room, high + room


class _Field:
    def __init__(self, name: str, says: str, low: float, high: float) -> None:
        self.drawing = Drawing(*SIZE, says=says, name=name, kind="drawing chart")
        self.low, self.high = low, high
        self.left, self.right, self.top, self.bottom = LEFT, SIZE[0] - RIGHT, TOP, SIZE[1] - BOTTOM

    def y(self, value: float) -> float:
        place = (min(max(value, self.low), self.high) - self.low) / (self.high - self.low)
        return self.bottom - (self.bottom - self.top) * place

    def axes(self) -> None:
        ticks = value_ticks(self.low, self.high)
        digits = max((len(f"{tick:g}".partition(".")[2]) for tick in ticks), default=0)
        for tick in ticks:
            self.drawing.line((self.left, self.y(tick)), (self.right, self.y(tick)), "grid")
            self.drawing.text((self.left - 1.2, self.y(tick) + 0.95), signed(tick, digits), "label", "end")
        self.drawing.path([(self.left, self.top), (self.left, self.bottom), (self.right, self.bottom)], "axes")
        self.drawing.text((0.5, 2.7), "nominal coupling, dB", "label")
        self.drawing.text(((self.left + self.right) / 2, self.bottom + 7.2), "unit, in the order of building", "label", "middle")

    def limits(self, lines: Mapping[str, float]) -> None:
        last = None
        for words, value in lines.items():
            y = self.y(value)
            if not self.low <= value <= self.high:
                continue
            self.drawing.line((self.left, y), (self.right, y), "axes" if words == "centre" else "limit")
            place = y + 0.9 if last is None else min(y + 0.9, last - 2.9)
            self.drawing.text((self.right + 1.0, place), f"{words} {value:.2f}", "label small")
            last = place

    def points(self, names: tuple[str, ...], values: list[float | None], units: Mapping[str, BatchUnit]) -> None:
        step = (self.right - self.left) / len(names)
        places = [self.left + step * (at + 0.5) for at in range(len(names))]
        run: list[tuple[float, float]] = []
        for x, value in [*zip(places, values, strict=True), (0.0, None)]:
            if value is not None:
                run.append((x, self.y(value)))
            elif len(run) > 1:
                self.drawing.path(run, "thread")
            if value is None:
                run = []
        last = -NAME_ROOM
        for x, name, value in zip(places, names, values, strict=True):
            unit = units.get(name)
            good = unit is not None and unit.decision == "conforms" and unit.cause is None
            if value is not None:
                size = min(1.5, 0.9 * step)
                self.drawing.circle((x, self.y(value)), size if good else max(size, 1.4), "dot" if good else "dot-bad")
                if not self.low <= value <= self.high:
                    right = x > (self.left + self.right) / 2
                    self.drawing.text(
                        (x - 1.4 if right else x + 1.4, self.y(value) + 0.9),
                        f"{value:.2f}",
                        "label small",
                        "end" if right else "start",
                    )
            if x - last >= NAME_ROOM:
                last = x
                shown = name if len(name) <= MOST_LETTERS else f"…{name[-MOST_LETTERS + 1 :]}"
                self.drawing.text((x, self.bottom + 3.2), shown, "label small", "middle")
