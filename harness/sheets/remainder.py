"""What the best explanation leaves of the readings: a row of bars for each reading over log frequency, in standard deviations."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from markupsafe import Markup

from harness.records.proof_diagnosis import FitRemainder
from harness.sheets.svg import Drawing, number

MOST_ROWS = 4
"""Readings that get a row: those that are furthest off."""
FAR_OFF = 3.0
"""Standard deviations from which a reading is too far off: the dashed line of each row."""
FULL = 4.5
"""Standard deviations at the upper edge of a row; what is further off reaches it too, and its number stands beside it."""
WIDTH, ROW, LEFT, RIGHT, TOP, BOTTOM = 96.0, 4.8, 20.0, 11.5, 4.6, 7.6
_TICKS = tuple(digit * 10.0**power for power in range(3, 10) for digit in (1, 2, 5))
TICK_ROOM = 6.5


def remainder_plot(found: FitRemainder) -> Markup | None:
    """Return the picture, 96 mm wide; None where the record holds no readings."""
    rows = _rows(found)
    if not rows or len(found.hz) < 2 or not 0 < found.hz[0] < found.hz[-1]:
        return None
    height = TOP + ROW * len(rows) + BOTTOM
    most = max(max(off) for _, off in rows)
    says = f"What the best explanation leaves of the readings: at most {_told(most)} standard deviations"
    drawing = Drawing(WIDTH, height, says=says, name="remainder", kind="drawing chart")
    low, high = found.hz[0], found.hz[-1]

    def x(hz: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * math.log(hz / low) / math.log(high / low)

    if found.band_hz is not None:
        left, right = (x(min(max(one, low), high)) for one in found.band_hz)
        drawing.box((left, TOP), max(right - left, 0.4), ROW * len(rows), "span")
    for place, (name, off) in enumerate(rows):
        _row(drawing, TOP + ROW * (place + 1), name, [x(hz) for hz in found.hz], off)
    _axis(drawing, height - BOTTOM, low, high, x)
    return drawing.svg()


def _rows(found: FitRemainder) -> list[tuple[str, Sequence[float]]]:
    """Return the readings that are furthest off, in the record's order."""
    known = [(name, off) for name, off in found.off.items() if len(off) == len(found.hz) and off]
    chosen = sorted(known, key=lambda row: -max(row[1]))[:MOST_ROWS]
    return [row for row in known if row in chosen]


def _row(drawing: Drawing, foot: float, name: str, places: Sequence[float], off: Sequence[float]) -> None:
    full = ROW - 0.9
    line = foot - full * FAR_OFF / FULL
    for kind, far in (("near", False), ("far", True)):
        bars = [
            f"M{number(x)} {number(foot)}V{number(foot - full * min(one, FULL) / FULL)}"
            for x, one in zip(places, off, strict=True)
            if (one > FAR_OFF) is far
        ]
        if bars:
            drawing.curve("".join(bars), f"bar {kind}")
    drawing.line((LEFT, foot), (WIDTH - RIGHT, foot), "axes")
    drawing.line((LEFT, line), (WIDTH - RIGHT, line), "limit")
    drawing.text((LEFT - 1.4, foot - 1.0), name, "label", "end")
    drawing.text((WIDTH - RIGHT + 1.2, foot - 1.0), f"max {_told(max(off))}", "label small")


def _axis(drawing: Drawing, bottom: float, low: float, high: float, x: Callable[[float], float]) -> None:
    last = -math.inf
    for tick in (tick for tick in _TICKS if low * (1 - 1e-9) <= tick <= high * (1 + 1e-9)):
        at = x(tick)
        drawing.line((at, bottom), (at, bottom + 0.7), "axes")
        if at - last > TICK_ROOM:
            last = at
            drawing.text((at, bottom + 3.2), f"{tick / 1e6:g}", "label", "middle")
    drawing.text((0.5, 2.7), "distance from the best explanation, standard deviations", "label")
    drawing.text(((LEFT + WIDTH - RIGHT) / 2, bottom + 6.8), "frequency, MHz", "label", "middle")


def _told(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"
