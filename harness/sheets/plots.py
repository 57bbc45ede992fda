"""Plots over frequency as SVG text: the same input gives the same bytes. Units on every axis, amateur bands marked.

Colours are the four of Okabe and Ito's set that differ most in lightness too; each curve has a line style of its own, so that a
grey print tells them apart. In the page colours are variables, and a dark screen changes them; text stays text.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from harness.analysis import Band
from harness.sheets.page import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

INK, RULE, SOFT = "#1b1b1b", "#d4d4d4", "#eef3f7"
SERIES = ("#0072b2", "#d55e00", "#009e73", "#8a5a83")
DASHES: tuple[str | tuple[int, tuple[float, ...]], ...] = ("-", (0, (5, 2)), (0, (1.2, 1.4)), (0, (6, 1.6, 1.2, 1.6)))
WIDTHS = (1.6, 1.1, 1.3, 1.1)
_VARIABLES = {INK: "ink", RULE: "rule", SOFT: "soft"} | {colour: f"series-{i}" for i, colour in enumerate(SERIES, start=1)}
_TICKS = tuple(digit * 10.0**power for power in range(3, 10) for digit in (1, 2, 5))
INCH = 25.4


@dataclass(frozen=True)
class CurveOf:
    """One curve: its name, frequencies in Hz, values in the plot's unit; ``style`` from 0 to 3, 0 for the main curve."""

    label: str
    hz: Floats
    values: Floats
    style: int = 0


@dataclass(frozen=True)
class Box:
    """A tolerance: the values that are allowed between two frequencies in Hz."""

    label: str
    hz: tuple[float, float]
    values: tuple[float, float]


def frequency_plot(
    name: str,
    says: str,
    y_label: str,
    curves: Sequence[CurveOf],
    *,
    bands: Sequence[Band] = (),
    box: Box | None = None,
    values: tuple[float, float] | None = None,
    log_values: bool = False,
    size_mm: tuple[float, float] = (90.0, 42.0),
) -> Markup:
    """Return a plot of curves over log frequency. ``name``: of the picture, unique in its page; ``says``: it in words.

    ``y_label`` must hold the unit. ``values``: range of the vertical axis, else what the curves and the box need.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context():
        mpl.rcdefaults()  # what a person has set for their own plots does not count here
        mpl.rcParams.update(_look(name))
        figure = Figure(figsize=(size_mm[0] / INCH, size_mm[1] / INCH), layout="constrained")
        axes = figure.subplots()
        for curve in curves:
            axes.plot(
                curve.hz,
                curve.values,
                label=curve.label,
                color=SERIES[curve.style],
                linestyle=DASHES[curve.style],
                linewidth=WIDTHS[curve.style],
            )
        _dress(axes, curves, y_label, box, values, log_values=log_values)
        _mark_bands(axes, bands)
        text = io.StringIO()
        figure.savefig(
            text, format="svg", transparent=True, metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
        )
    return _inline(text.getvalue(), name, says)


def _look(name: str) -> Any:
    """Return the plot library's settings; ids in the picture are made from ``name`` and not at random."""
    return {
        "font.size": 7.0,
        "svg.fonttype": "none",
        "svg.hashsalt": name,
        "axes.edgecolor": INK,
        "axes.labelcolor": INK,
        "text.color": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.linewidth": 0.6,
        "axes.unicode_minus": True,
        "text.parse_math": False,
    }


def _dress(
    axes: Axes, curves: Sequence[CurveOf], y_label: str, box: Box | None, values: tuple[float, float] | None, *, log_values: bool
) -> None:
    from matplotlib.patches import Rectangle

    axes.set_xscale("log")
    if log_values:
        axes.set_yscale("log")
    low, high = min(float(curve.hz[0]) for curve in curves), max(float(curve.hz[-1]) for curve in curves)
    axes.set_xlim(low, high)
    axes.set_ylim(values if values is not None else _range(curves, box, log_values=log_values))
    if box is not None:
        (left, right), (bottom, top) = box.hz, box.values
        size = right - left, top - bottom
        axes.add_patch(Rectangle((left, bottom), *size, facecolor=SOFT, edgecolor=INK, linewidth=0.6, label=box.label, zorder=0))
        axes.add_patch(Rectangle((left, bottom), *size, fill=False, edgecolor=INK, linewidth=0.6, zorder=2.2))
    axes.set_xticks([tick for tick in _TICKS if low <= tick <= high], minor=False)
    axes.set_xticks([], minor=True)
    axes.xaxis.set_major_formatter(lambda hz, _: f"{hz / 1e6:g}")
    axes.set_xlabel("frequency, MHz", labelpad=1)
    axes.set_ylabel(y_label, labelpad=2)
    axes.grid(visible=True, color=RULE, linewidth=0.4)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(length=2, pad=1.5)
    if log_values:
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        axes.yaxis.set_minor_formatter(lambda _value, _: "")
    axes.legend(
        loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False, fontsize=6.5, handlelength=2.6, columnspacing=1.0,
        borderaxespad=0.1, labelspacing=0.25, handletextpad=0.5,
    )  # fmt: skip


def _range(curves: Sequence[CurveOf], box: Box | None, *, log_values: bool) -> tuple[float, float]:
    every = np.concatenate([curve.values for curve in curves] + ([np.array(box.values)] if box else []))
    low, high = float(every.min()), float(every.max())
    if log_values:
        return low / 2.2, high * 1.3
    room = 0.08 * (high - low) or 0.5
    return low - room, high + room


def _mark_bands(axes: Axes, bands: Sequence[Band]) -> None:
    """Mark the bands along the frequency axis; a name only where it has room."""
    low, high = axes.get_xlim()
    last = -np.inf
    across = axes.get_xaxis_transform()
    for band in sorted(bands, key=lambda one: one.low_hz):
        if not (low <= band.low_hz and band.high_hz <= high):
            continue
        axes.plot([band.low_hz, band.high_hz], [0.012, 0.012], transform=across, color=INK, linewidth=2.2, solid_capstyle="butt")
        place = np.log(band.centre_hz / low) / np.log(high / low)
        if place - last > 0.075:
            axes.text(band.centre_hz, 0.035, band.name, transform=across, ha="center", va="bottom", fontsize=5.5)
            last = place


def _inline(text: str, name: str, says: str) -> Markup:
    """Return the picture to stand in a page: no prolog, no metadata, ids of its own, colours and font left to the page."""
    svg = text[text.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', svg)
    svg = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>\s*", "", svg, count=1, flags=re.DOTALL)
    svg = re.sub(r"font-family: [^;\"]*", "font-family: var(--font, sans-serif)", svg)
    svg = re.sub(r"(font: [^;\"]*?px) [^;\"]*", r"\1 var(--font, sans-serif)", svg)
    for colour, variable in _VARIABLES.items():
        svg = svg.replace(colour, f"var(--{variable}, {colour})")
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    said = f'<title id="{name}-title">{escape(printable(says))}</title>'
    opening = rf'<svg class="plot" role="img" aria-labelledby="{name}-title"\1>{_safe(said)}'
    whole = re.sub(r"<svg([^>]*)>", opening, svg, count=1)
    return Markup(whole)  # noqa: S704  the plot library escapes its text, and the title is escaped above


def _safe(replacement: str) -> str:
    """Return text that stands for itself in a replacement of ``re.sub``."""
    return replacement.replace("\\", r"\\")
