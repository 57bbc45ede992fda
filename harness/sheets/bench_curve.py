"""A sweep as a small picture in dB over frequency: quick to make, readable from across the bench. Pure, no plot library.

Curves differ by dash as well as by colour, and each carries its name at its end.
"""

from __future__ import annotations

import math

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from harness.quantities import show_frequency
from harness.records import Sweep
from harness.sheets.svg import Drawing, number

Floats = NDArray[np.float64]
LEFT, RIGHT, TOP, BOTTOM = 12.0, 90.0, 7.0, 41.0
MOST_POINTS = 400
DEEPEST_DB = 120.0
"""How far below the highest value the picture goes."""
STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
LABEL_ROOM = 4.2


def sweep_curve(sweep: Sweep, name: str = "curve") -> Markup:
    """Return the magnitude of each trace of a sweep in dB over frequency; ``name`` is the picture's id in the page."""
    traces = {key: _decibel(value) for key, value in sweep.traces.items()}
    low, high, step = _levels(traces.values())
    x = _across(sweep.frequency_hz)
    shown = ", ".join(f"{key.upper()} from {np.min(db):.1f} to {np.max(db):.1f} dB" for key, db in traces.items())
    span = f"{show_frequency(float(sweep.frequency_hz[0]))} to {show_frequency(float(sweep.frequency_hz[-1]))}"
    drawing = Drawing(100.0, 52.0, says=f"Sweep {sweep.name}, {span}: {shown}.", name=name)
    _level_axis(drawing, low, high, step)
    _frequency_axis(drawing, sweep.frequency_hz)
    ends = []
    for count, (key, db) in enumerate(traces.items(), start=1):
        y = BOTTOM - (np.clip(db, low, high) - low) / (high - low) * (BOTTOM - TOP)
        kind = f"curve curve-{count}"
        drawing.path(zip(*_thinned(x, y), strict=True), kind)
        ends.append((float(y[-1]), key.upper(), f"label name-{count}"))
    for y_end, label, kind in _apart(ends):
        drawing.text((RIGHT + 1.2, y_end + 1.3), label, kind)
    return drawing.svg()


def _decibel(values: NDArray[np.complex128]) -> Floats:
    """Return 20·log10 of the magnitude; nothing at all counts as −200 dB, and so does what is no number."""
    size = np.nan_to_num(np.abs(values), nan=0.0, posinf=1e10)
    return np.asarray(20 * np.log10(np.maximum(size, 1e-10)), dtype=np.float64)


def _levels(traces: object) -> tuple[float, float, float]:
    """Return the lowest and the highest level of the axis and the distance of its ticks, in dB."""
    every = np.concatenate([np.asarray(trace) for trace in traces])  # type: ignore[attr-defined]
    top = float(every.max())
    bottom = max(float(every.min()), top - DEEPEST_DB)
    step = next((step for step in STEPS if (top - bottom) / step <= 4), STEPS[-1])
    low, high = step * math.floor(bottom / step + 1e-9), step * math.ceil(top / step - 1e-9)
    return (low, high, step) if high > low else (low - step, high + step, step)


def _is_log(frequency_hz: Floats) -> bool:
    return bool(frequency_hz[0] > 0) and float(frequency_hz[-1] / frequency_hz[0]) > 5


def _across(frequency_hz: Floats) -> Floats:
    """Return where frequencies stand from left to right: by their logarithm where the sweep is wide."""
    scale = np.log(frequency_hz) if _is_log(frequency_hz) else frequency_hz
    width = float(scale[-1] - scale[0])
    return np.asarray(LEFT + (scale - scale[0]) / (width or 1.0) * (RIGHT - LEFT), dtype=np.float64)


def _thinned(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return at most about ``MOST_POINTS`` points; of each group the lowest and the highest, so that no spike gets lost."""
    if x.size <= MOST_POINTS:
        return x, y
    keep = {0, x.size - 1}
    for group in np.array_split(np.arange(x.size), MOST_POINTS // 2):
        keep |= {int(group[np.argmin(y[group])]), int(group[np.argmax(y[group])])}
    chosen = np.array(sorted(keep))
    return x[chosen], y[chosen]


def _level_axis(drawing: Drawing, low: float, high: float, step: float) -> None:
    drawing.text((1.0, 3.8), "dB", "label")
    for count in range(round((high - low) / step) + 1):
        level = low + count * step
        y = BOTTOM - (level - low) / (high - low) * (BOTTOM - TOP)
        drawing.line((LEFT, y), (RIGHT, y), "line grid")
        drawing.text((LEFT - 1.2, y + 1.3), number(level).replace("-", "−"), "label", "end")


def _frequency_axis(drawing: Drawing, frequency_hz: Floats) -> None:
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    ticks = np.array(_ticks(low, high, log=_is_log(frequency_hz)))
    places = np.interp(ticks, frequency_hz, _across(frequency_hz)) if not _is_log(frequency_hz) else _log_places(ticks, low, high)
    last = -math.inf
    for tick, x in zip(ticks, places, strict=True):
        drawing.line((x, TOP), (x, BOTTOM), "line grid")
        if x - last > 2.6 * LABEL_ROOM / 1.5:
            drawing.text((x, BOTTOM + 4.4), f"{tick / 1e6:g}", "label", "middle")
            last = float(x)
    drawing.text(((LEFT + RIGHT) / 2, BOTTOM + 9.4), "frequency, MHz", "label", "middle")


def _log_places(ticks: Floats, low: float, high: float) -> Floats:
    return np.asarray(LEFT + np.log(ticks / low) / math.log(high / low) * (RIGHT - LEFT), dtype=np.float64)


def _ticks(low: float, high: float, *, log: bool) -> list[float]:
    """Return round frequencies from ``low`` to ``high``."""
    if log:
        powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
        every = (digit * 10.0**power for power in powers for digit in (1, 2, 5))
        return [tick for tick in every if low * (1 - 1e-9) <= tick <= high * (1 + 1e-9)]
    width = (high - low) or 1.0
    rough = 10.0 ** math.floor(math.log10(width))
    step = next(digit * rough for digit in (0.2, 0.5, 1.0, 2.0) if width / (digit * rough) <= 6)
    first = math.ceil(low / step - 1e-9)
    return [count * step for count in range(first, math.floor(high / step + 1e-9) + 1)]


def _apart(ends: list[tuple[float, str, str]]) -> list[tuple[float, str, str]]:
    """Return the names at the ends of the curves, moved so that none stands on another and none leaves the picture."""
    placed: list[tuple[float, str, str]] = []
    for y, label, kind in sorted(ends):
        least = placed[-1][0] + LABEL_ROOM if placed else -math.inf
        placed.append((max(y, least), label, kind))
    over = max(placed[-1][0] - BOTTOM, 0.0) if placed else 0.0
    return [(y - over, label, kind) for y, label, kind in placed]
