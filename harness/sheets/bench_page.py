"""The bench page: what a run asks and shows, as the parts of one HTML page. Pure.

A ``View`` holds everything that the page shows; ``bench_page`` makes the whole page of it and ``bench_parts`` the parts that the
page's script puts in place when something has changed. Everything that comes into them is escaped.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from markupsafe import Markup

from harness.ports import Answer
from harness.records import HookUp, Sweep
from harness.sheets.bench_curve import sweep_curve
from harness.sheets.hookup_drawing import UnitEnds, hookup_drawing, to_make
from harness.sheets.page import render, render_block

PARTS = ("where", "ask", "drawing", "curve", "notes")
"""The parts of the page that change by themselves, by their ids in the page."""
Kind = Literal["waiting", "connect", "doubt", "resume", "offer", "busy", "ended"]


@dataclass(frozen=True)
class Words:
    """One line of the instruction. ``mark``: to be made now ("now", with its ``count`` in the drawing), stays, or neither."""

    text: str
    mark: Literal["now", "stays", ""] = ""
    count: int = 0


@dataclass(frozen=True)
class Button:
    """One answer: what stands on the button, and the key that does the same."""

    answer: Answer
    words: str
    key: str


@dataclass(frozen=True)
class Row:
    """One figure of a result, in words."""

    figure: str
    value: str
    interval: str
    decision: str


@dataclass(frozen=True)
class View:
    """What the page shows. ``question`` numbers the open question, 0 where nothing is asked.

    ``where`` is the one line that says where the run stands. ``may_stop``: nothing is asked, and a stop can still be wished.
    """

    kind: Kind
    unit: str
    where: str
    head: str
    question: int = 0
    words: tuple[Words, ...] = ()
    buttons: tuple[Button, ...] = ()
    may_stop: bool = False
    fraction: float | None = None
    hookup: HookUp | None = None
    before: HookUp | None = None
    sweep: Sweep | None = None
    notes: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()


@dataclass(frozen=True)
class Seen:
    """Who looks: ``answers`` for the page that has the buttons, else it watches. ``ends``: what is at the unit's connectors."""

    answers: bool = False
    ends: UnitEnds = field(default_factory=UnitEnds)


def page_title(view: View) -> str:
    """Return the title of the page in the browser: what is wanted of the person first."""
    known = {"connect": "Hook-up", "doubt": "Check", "resume": "Go on?", "offer": "One more?", "ended": "Ended"}
    first = known.get(view.kind, "Wait")
    return f"{first}: {view.head} – {view.unit}" if view.unit else f"{first}: {view.head}"


def bench_page(view: View, seen: Seen, *, seal: str) -> str:
    """Return the whole page. ``seal`` is the secret that the page's script sends along with every answer."""
    return render("bench.html", **_values(view, seen), title=page_title(view), seal=seal)


def bench_parts(view: View, seen: Seen) -> dict[str, str]:
    """Return the HTML of each of ``PARTS``."""
    values = _values(view, seen)
    return {part: render_block("bench.html", part, **values) for part in PARTS}


def _values(view: View, seen: Seen) -> dict[str, object]:
    return {
        "view": view,
        "answers": seen.answers,
        "drawing": _drawing(view, seen),
        "caption": _caption(view),
        "curve": None if view.sweep is None else sweep_curve(view.sweep),
        "percent": None if view.fraction is None else round(100 * view.fraction),
    }


def _drawing(view: View, seen: Seen) -> Markup | None:
    if view.hookup is None:
        return None
    return hookup_drawing(view.hookup, view.before, seen.ends, made=view.kind != "connect")


def _caption(view: View) -> str:
    if view.kind != "connect" or view.hookup is None:
        return "The hook-up as it should be."
    stays = len(to_make(view.hookup, view.before)) < len(view.hookup.joins)
    return "Heavy, with a number: to be made now." + (" Thin, dashed: stays." if stays else "")
