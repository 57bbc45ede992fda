"""What is asked of the intervals, and the tables that say whether it is met."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tests.intervals.judging import COUPLING_AT, Outcome, Said
from tests.intervals.proportions import Share

TWO_SIDED = ("coupling_db", COUPLING_AT)
ONE_SIDED = ("return_loss_db", "swr", "flatness_db", "insertion_loss_db")
IN_WORDS = {
    "coupling_db": "coupling",
    COUPLING_AT: "coupling at a frequency",
    "return_loss_db": "return loss",
    "swr": "SWR",
    "flatness_db": "flatness",
    "insertion_loss_db": "insertion loss",
}


@dataclass(frozen=True)
class Limits:
    """Least and most share of intervals that hold the truth, least share of bounds that do, most wrong decisions.

    ``refused``: most units at their tolerance that are called *does not conform*.
    """

    interval: tuple[float, float] = (0.94, 0.975)
    bound: float = 0.94
    wrong: float = 0.025
    refused: float = 0.035
    return_loss_within_db: float = 3.0
    flatness_within_db: float = 0.05


FULL = Limits()
STRATUM_CONFIDENCE = 0.99
"""Of a share in one stratum, where it is held against the limits. There are two dozen of them."""


@dataclass(frozen=True)
class Row:
    """One line of a table: its cells, and whether its limit is met (None where it has none)."""

    cells: tuple[str, ...]
    met: bool | None = None


@dataclass(frozen=True)
class Table:
    """A table with a heading, what stands above it, and rows."""

    title: str
    says: str
    head: tuple[str, ...]
    rows: tuple[Row, ...]

    @property
    def met(self) -> bool:
        """Whether no row breaks its limit."""
        return all(row.met is not False for row in self.rows)

    def markdown(self) -> str:
        """Return the table as Markdown; a row that breaks its limit says so in its last cell."""
        marks = {True: "met", False: "**broken**", None: ""}
        lines = [f"## {self.title}", "", self.says, "", _line((*self.head, "limit")), _line(["---"] * (len(self.head) + 1))]
        return "\n".join([*lines, *(_line((*row.cells, marks[row.met])) for row in self.rows)])


def _line(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def coverage(outcomes: Sequence[Outcome], limits: Limits) -> Table:
    """Return the table of two-sided intervals: all strata together keep to the limits, none is outside beyond doubt."""
    low, high = limits.interval
    strata = list(dict.fromkeys(one.stratum for one in outcomes))
    rows, alone = [], 0
    for name in TWO_SIDED:
        for stratum in ("all", *strata):
            said = [one.figures[name] for one in outcomes if stratum in ("all", one.stratum)]
            share = Share.of(one.holds for one in said)
            width = float(np.median([_half_width(one) for one in said]))
            inside = low <= share.value <= high
            alone += inside and stratum != "all"
            least, most = share.interval(STRATUM_CONFIDENCE)
            met = inside if stratum == "all" else least <= high and most >= low
            rows.append(Row((IN_WORDS[name], stratum, str(share.total), str(share), f"± {width:.3f} dB"), met))
    says = (
        f"Share of 95 % intervals that hold the truth; in brackets its 95 % Clopper–Pearson confidence. Limit: {low:.1%} to "
        f"{high:.1%}. All strata together are held to it by the share itself. A stratum alone is too small for that: it breaks "
        f"the limit where its {STRATUM_CONFIDENCE:.0%} confidence lies wholly outside, which a stratum on the limit does once in "
        f"two hundred times. By the share itself {alone} of {len(TWO_SIDED) * len(strata)} are inside."
    )
    head = ("figure", "stratum", "benches", "holds the truth", "median width")
    return Table("Coupling: two-sided intervals", says, head, tuple(rows))


def bounds(outcomes: Sequence[Outcome], limits: Limits) -> Table:
    """Return the table of one-sided bounds: the limit is on all strata together, each stratum is shown beside it."""
    strata = list(dict.fromkeys(one.stratum for one in outcomes))
    rows = []
    for name in ONE_SIDED:
        for stratum in ("all", *strata):
            said = [one.figures[name] for one in outcomes if stratum in ("all", one.stratum)]
            share = Share.of(one.holds for one in said)
            width = float(np.median([_from_truth(one) for one in said]))
            cells = (IN_WORDS[name], stratum, str(share.total), str(share), _width_in_words(name, width))
            # A stratum alone fails only where its confidence lies below the limit: it is too small to be held to the share.
            met = share.value >= limits.bound if stratum == "all" else share.confidence[1] >= limits.bound
            rows.append(Row(cells, met))
    says = (
        f"Share of one-sided 95 % bounds on whose good side the truth lies; limit: at least {limits.bound:.1%} over all strata, "
        "and in no stratum a confidence that lies wholly below it. Beside it the median distance of bound and truth."
    )
    return Table("One-sided bounds", says, ("figure", "stratum", "benches", "right", "median distance"), tuple(rows))


def widths(reference: Sequence[Outcome], limits: Limits) -> Table:
    """Return the table of the reference bench: bounds that are right must also be of use."""
    allowed = {"return_loss_db": limits.return_loss_within_db, "flatness_db": limits.flatness_within_db}
    rows = []
    for name in ("coupling_db", *ONE_SIDED):
        said = [one.figures[name] for one in reference]
        distance = float(np.median([_half_width(one) if name == "coupling_db" else _from_truth(one) for one in said]))
        truth = float(np.median([one.truth for one in said]))
        limit = allowed.get(name)
        asked = "" if limit is None else f"at most {limit:g} dB"
        cells = (
            IN_WORDS[name],
            str(len(said)),
            f"{truth:.3f}",
            _width_in_words(name, distance),
            str(Share.of(s.holds for s in said)),
        )
        rows.append(Row((*cells, asked), None if limit is None else distance <= limit))
    says = (
        "Units whose true return loss is within 0.5 dB of 30 dB on the reference bench (one-path, kit class good, external "
        "termination, 30 dB, one repeat, noise −90 dB). Distance: of the one-sided bound from the truth, of a coupling half its "
        "interval; medians."
    )
    head = ("figure", "benches", "median truth", "median distance", "holds the truth", "asked")
    return Table("Typical widths on the reference bench", says, head, tuple(rows))


def decisions(outcomes: Sequence[Outcome], limits: Limits) -> Table:
    """Return the table of wrong decisions, with the tolerance laid on the truth and around what such units have."""
    rows = []
    at = [one for one in outcomes if one.where == "at the tolerance"]
    around = [one for one in outcomes if one.where == "around it"]
    for name in ("coupling_db", *ONE_SIDED):
        wrong = Share.of(one.figures[name].decision == "conforms" for one in at)
        refused = Share.of(one.figures[name].decision == "does not conform" for one in at)
        cells = (IN_WORDS[name], "truth at the tolerance", str(wrong.total), str(wrong), str(refused))
        rows.append(Row(cells, wrong.value <= limits.wrong and refused.value <= limits.refused))
        outside = [one.figures[name] for one in around if one.figures[name].outside]
        inside = [one.figures[name] for one in around if not one.figures[name].outside]
        passed = Share.of(one.decision == "conforms" for one in outside)
        failed = Share.of(one.decision == "does not conform" for one in inside)
        cells = (IN_WORDS[name], f"{len(outside)} of {len(around)} outside", str(len(around)), str(passed), str(failed))
        rows.append(Row(cells, None if not outside else passed.value <= limits.wrong))
    rows.append(_units(around, limits))
    says = (
        f"Wrong decisions. With the truth at the tolerance at most {limits.wrong:.1%} may be called *conforms*, and at most "
        f"{limits.refused:.1%} *does not conform*: a unit at its tolerance is still good. Around: "
        "the share of units truly outside their tolerance that are called *conforms*, of those outside, and the share of units "
        "truly inside that are called *does not conform*, of those inside."
    )
    head = ("figure", "tolerance", "benches", "called conforms though outside", "called does not conform though inside")
    return Table("Decisions", says, head, tuple(rows))


def _units(around: Sequence[Outcome], limits: Limits) -> Row:
    """Return the row of whole units: outside where any figure is."""
    outside = [one for one in around if any(said.outside for said in one.figures.values())]
    inside = [one for one in around if not any(said.outside for said in one.figures.values())]
    passed = Share.of(one.decision == "conforms" for one in outside)
    failed = Share.of(one.decision == "does not conform" for one in inside)
    cells = ("unit", f"{len(outside)} of {len(around)} outside", str(len(around)), str(passed), str(failed))
    return Row(cells, None if not outside else passed.value <= limits.wrong)


def each_alone(alone: Mapping[str, tuple[Sequence[Outcome], Sequence[Outcome]]], limits: Limits) -> Table:
    """Return the table of inputs by themselves: each must be enough where it is alone, and be missed where it is left out."""
    rows = []
    for what, (with_it, without_it) in alone.items():
        stated, dropped = (Share.of(one.figures[COUPLING_AT].holds for one in some) for some in (with_it, without_it))
        cells = (what.replace("_", " "), str(stated.total), str(stated), str(dropped))
        rows.append(Row(cells, stated.confidence[1] >= limits.interval[0] and dropped.confidence[1] < limits.interval[0]))
    says = (
        "Benches that have one error only, and next to no noise: how often the interval of the coupling at a frequency holds the "
        f"truth, with this input and with it left out of the analysis. Limit: with it the confidence is not wholly below "
        f"{limits.interval[0]:.1%}, without it it is."
    )
    return Table("Each input alone", says, ("input", "benches", "holds the truth", "with the input left out"), tuple(rows))


def alarms(outcomes: Sequence[Outcome]) -> Table:
    """Return how often each check failed on these sound benches; nothing is asked here."""
    names = sorted({name for one in outcomes for name in one.failed_checks})
    rows = []
    for name in names:
        by_kit = (
            str(Share.of(name in one.failed_checks for one in outcomes if one.kit == kit)) for kit in ("plain", "good", "lab")
        )
        rows.append(Row((name, *by_kit)))
    says = "Nothing is wrong on these benches: every failed check here is a false alarm, and leaves its unit undecided."
    return Table("False alarms of the checks", says, ("check", "kit plain", "kit good", "kit lab"), tuple(rows))


def _half_width(said: Said) -> float:
    return float("nan") if said.low is None or said.high is None else (said.high - said.low) / 2


def _from_truth(said: Said) -> float:
    bound = said.low if said.low is not None else said.high
    return float("nan") if bound is None else abs(said.truth - bound)


def _width_in_words(name: str, width: float) -> str:
    return f"{width:.4f}" if name == "swr" else f"{width:.3f} dB"
