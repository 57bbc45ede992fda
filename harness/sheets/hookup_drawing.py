"""A hook-up as a drawing: the analyser's ports, the unit with its three connectors, loads, standards, adapters, cables.

What has to be made now is heavy and carries the number of its line of words; what stays from the hook-up before is thin and
dashed. So nothing is said by colour alone. Lengths are those of the drawing; the page scales it to the screen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from markupsafe import Markup

from harness.records import ANALYSER_1, ANALYSER_2, LINE_IN, LINE_OUT, SAMPLE, HookUp, Join
from harness.records.hookup import UNIT_PORTS
from harness.sheets.svg import Drawing, Point, number

WIDTH = 100.0
PORT_X = {ANALYSER_1: 32.0, ANALYSER_2: 68.0}
PORT_Y = 17.0
UNIT = (26.0, 46.0, 48.0, 17.0)
"""Left, top, width, height of the unit's box."""
AT_UNIT: Mapping[str, Point] = {LINE_IN: (26.0, 54.0), LINE_OUT: (74.0, 54.0), SAMPLE: (50.0, 46.0)}
OUTWARD: Mapping[str, Point] = {LINE_IN: (-1.0, 0.0), LINE_OUT: (1.0, 0.0), SAMPLE: (0.0, -1.0)}
ADAPTER_LONG, ADAPTER_WIDE = 6.0, 4.4
STANDARD_Y = 40.0
THRU = (38.0, 42.0, 24.0, 9.0)


@dataclass(frozen=True)
class UnitEnds:
    """What a person finds at the unit: connector and adapter ("BNC to UHF") of each of its ports; no adapter: not named."""

    connectors: Mapping[str, str] = field(default_factory=dict)
    adapters: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Mark:
    """How a join is drawn: to be made "now", with the ``count`` of its line of words; one that "stays"; or one that is "made"."""

    kind: Literal["now", "stays", "made"]
    count: int = 0


def to_make(hookup: HookUp, before: HookUp | None) -> tuple[Join, ...]:
    """Return the joins that have to be made now: all of them where the same hook-up is made once more."""
    if before is None or before.joins == hookup.joins:
        return hookup.joins
    return hookup.new_since(before)


def hookup_drawing(hookup: HookUp, before: HookUp | None, ends: UnitEnds, name: str = "hookup", *, made: bool = False) -> Markup:
    """Return the picture of a hook-up, coming from ``before``; ``name`` is its id in the page.

    ``made``: it stands already; no join is marked.
    """
    new = () if made else to_make(hookup, before)
    on_unit = any(end in UNIT_PORTS for join in hookup.joins for end in (join.one, join.other))
    drawing = Drawing(WIDTH, 66.0 if on_unit else 54.0, says=_in_words(hookup, new, made=made), name=name)
    pen = _Pen(drawing, ends)
    order = {join: count for count, join in enumerate(hookup.joins, start=1)}
    for join in sorted(hookup.joins, key=lambda join: join in new):  # the heavy ones on top
        pen.join(join, Mark("made") if made else Mark("now", order[join]) if join in new else Mark("stays"))
    used = {end for join in hookup.joins for end in (join.one, join.other)}
    for port in (ANALYSER_1, ANALYSER_2):
        if port not in used:
            pen.free(port)
    if on_unit:
        _unit(drawing, ends)
    _analyser(drawing)
    pen.tags()
    return drawing.svg()


def _in_words(hookup: HookUp, new: tuple[Join, ...], *, made: bool) -> str:
    marks = ["" if made else ", to be made now" if join in new else ", stays" for join in hookup.joins]
    told = [f"{join.one} to {join.other}{mark}" for join, mark in zip(hookup.joins, marks, strict=True)]
    return f"Hook-up {hookup.name}: {'; '.join(told)}."


def _analyser(drawing: Drawing) -> None:
    drawing.box((14, 2), 72, PORT_Y - 2, "line box", round_=1.5)
    drawing.text((50, 10.6), "analyser", "label strong", "middle")
    for port, x in PORT_X.items():
        drawing.circle((x, PORT_Y), 3.4, "line box")
        drawing.text((x, 13.2), port.removeprefix("analyser "), "label strong", "middle")


def _unit(drawing: Drawing, ends: UnitEnds) -> None:
    left, top, width, height = UNIT
    drawing.box((left, top), width, height, "line box", round_=1.5)
    middle = left + width / 2
    drawing.text((middle, top + height - 2.4), "unit", "label strong", "middle")
    for port, (x, y), anchor in (
        (LINE_IN, (left + 2, top + 9.2), "start"),
        (LINE_OUT, (left + width - 2, top + 9.2), "end"),
        (SAMPLE, (middle, top + 5.4), "middle"),
    ):
        drawing.text((x, y), port, "label", anchor)
        if port in ends.connectors and port != SAMPLE:
            drawing.text((x, y + 4), ends.connectors[port], "label quiet", anchor)
    for port in ends.adapters:
        _adapter(drawing, port)


def _adapter(drawing: Drawing, port: str) -> None:
    (x, y), (dx, dy) = AT_UNIT[port], OUTWARD[port]
    far = (x + dx * ADAPTER_LONG, y + dy * ADAPTER_LONG)
    long, wide = (ADAPTER_LONG, ADAPTER_WIDE) if dx else (ADAPTER_WIDE, ADAPTER_LONG)
    corner = ((x + far[0]) / 2 - long / 2, (y + far[1]) / 2 - wide / 2)
    drawing.box(corner, long, wide, "line adapter")
    middle = (corner[0] + long / 2, corner[1] + wide / 2)
    if dx:
        drawing.line((middle[0], corner[1]), (middle[0], corner[1] + wide))
        drawing.text((x + dx * 0.6, y - 5.2), "adapter", "label quiet", "end" if dx < 0 else "start")
    else:
        drawing.line((corner[0], middle[1]), (corner[0] + long, middle[1]))
        drawing.text((x + 3.4, y - 2.0), "adapter", "label quiet")


class _Pen:
    """Draws joins."""

    def __init__(self, drawing: Drawing, ends: UnitEnds) -> None:
        self._drawing = drawing
        self._ends = ends
        self._tags: list[tuple[Point, int]] = []

    def join(self, join: Join, mark: Mark) -> None:
        """Draw one join."""
        if join.through is not None:
            self._thru(join, mark)
            return
        port = next((end for end in (join.one, join.other) if end in PORT_X), None)
        at_unit = next((end for end in (join.one, join.other) if end in UNIT_PORTS), None)
        if port is not None and at_unit is not None:
            self._cable(port, at_unit, mark)
        elif port is not None:
            self._standard(port, join.other if join.one == port else join.one, mark)
        elif at_unit is not None:
            self._load(at_unit, join.other if join.one == at_unit else join.one, mark)

    def free(self, port: str) -> None:
        """Draw a cable that hangs free."""
        x = PORT_X[port]
        aside = number(x + 1.5)
        self._drawing.curve(f"M {number(x)} {number(PORT_Y)} C {number(x)} 21 {aside} 21 {aside} 25", "line free")
        self._drawing.text((x, 29.4), "free", "label quiet", "middle")

    def _meet(self, port: str) -> Point:
        """Return where cables and loads meet the unit: the far side of its adapter."""
        (x, y), (dx, dy) = AT_UNIT[port], OUTWARD[port]
        reach = ADAPTER_LONG if port in self._ends.adapters else 0.0
        return (x + dx * reach, y + dy * reach)

    def _cable(self, port: str, at_unit: str, mark: Mark) -> None:
        x, (ex, ey) = PORT_X[port], self._meet(at_unit)
        start = f"M {number(x)} {number(PORT_Y)} C"
        if at_unit == SAMPLE:
            self._stroke(f"{start} {number(x)} 30 {number(ex)} 25 {number(ex)} {number(ey)}", mark)
            self._tag((ex, ey - 5.6), mark)
            return
        side = OUTWARD[at_unit][0]
        out = 50.0 + side * 43.0
        turn = (50.0 + side * 18.0, 36.0) if (x - 50.0) * side > 0 else (x, 30.0)  # a cable from the far port leaves flatter
        down = f"{number(turn[0])} {number(turn[1])} {number(out)} 26 {number(out)} 42"
        self._stroke(f"{start} {down} C {number(out)} 50 {number(ex + side * 8)} {number(ey)} {number(ex)} {number(ey)}", mark)
        self._tag((out, 42.0), mark)

    def _standard(self, port: str, what: str, mark: Mark) -> None:
        x = PORT_X[port]
        self._stroke(f"M {number(x)} {number(PORT_Y)} C {number(x)} 25 {number(x)} 32 {number(x)} {number(STANDARD_Y)}", mark)
        self._thing((x - 12, STANDARD_Y), 24, 9, what, mark)
        self._tag((x, 29.0), mark)

    def _thru(self, join: Join, mark: Mark) -> None:
        left, top, width, height = THRU
        y = top + height / 2
        for port, edge, side in ((ANALYSER_1, left, -1.0), (ANALYSER_2, left + width, 1.0)):
            x = PORT_X[port]
            bend = f"C {number(x)} 30 {number(edge + side * 14)} {number(y)} {number(edge)} {number(y)}"
            self._stroke(f"M {number(x)} {number(PORT_Y)} {bend}", mark)
        self._thing((left, top), width, height, str(join.through), mark)
        self._tag((50.0, top - 4.4), mark)

    def _load(self, at_unit: str, what: str, mark: Mark) -> None:
        (x, y), (dx, _) = self._meet(at_unit), OUTWARD[at_unit]
        width, height = 15.0, 8.0
        end = (x + dx * 2.0, y) if dx else (x, y - 2.0)
        self._stroke(f"M {number(x)} {number(y)} L {number(end[0])} {number(end[1])}", mark)
        corner = (end[0] - (width if dx < 0 else 0.0), y - height / 2) if dx else (x - width / 2, end[1] - height)
        self._thing(corner, width, height, what, mark)
        self._tag((corner[0] + width / 2, corner[1] - 4.4) if dx else (corner[0] - 4.6, corner[1] + height / 2), mark)

    def _stroke(self, commands: str, mark: Mark) -> None:
        self._drawing.curve(commands, "halo")
        self._drawing.curve(commands, f"line {mark.kind}")

    def _thing(self, corner: Point, width: float, height: float, what: str, mark: Mark) -> None:
        self._drawing.box(corner, width, height, f"line box {mark.kind}", round_=1.0)
        self._drawing.text((corner[0] + width / 2, corner[1] + height / 2 + 1.4), what, "label", "middle")

    def _tag(self, at: Point, mark: Mark) -> None:
        if mark.kind == "now":
            self._tags.append((at, mark.count))

    def tags(self) -> None:
        """Draw the numbers of what has to be made now, on top of everything."""
        for at, count in self._tags:
            self._drawing.circle(at, 6.4, "tag")
            self._drawing.text((at[0], at[1] + 1.45), str(count), "label tagged", "middle")
