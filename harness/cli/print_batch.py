"""A batch as text in the terminal: a line a unit, then the statistics in words and two compact tables."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from harness.cli.output import printable
from harness.cli.print_proof import WORDS

if TYPE_CHECKING:
    from harness.analysis.batch import BatchStatistics, BatchUnit
    from harness.log.batches import BatchReport

WIDTH = 110


def report_lines(report: BatchReport) -> list[str]:
    """Return the lines that tell a batch."""
    from harness.analysis.batch import in_words

    width = max(10, *(len(unit.unit) for unit in report.units))
    lines = [f"batch {report.name}, in the order of building", ""]
    lines.append(f"  {'unit':<{width}} {'coupling':>10} {'flatness':>10} {'return loss':>12}  decision · fault")
    lines += [_unit_line(unit, width) for unit in report.units]
    for type_name, found in report.statistics.items():
        lines += [
            "",
            f"{type_name}: {found.wanted_db:g} dB wanted, {found.allowed_db[0]:g} to {found.allowed_db[1]:g} dB allowed",
        ]
        lines += _figure_table(found)
        lines.append("")
        for sentence in in_words(found):
            lines += textwrap.wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="    ", break_long_words=False)
    return [printable(line) for line in lines]


def _unit_line(unit: BatchUnit, width: int) -> str:
    if unit.missing is not None:
        return f"  {unit.unit:<{width}} {'—':>10} {'—':>10} {'—':>12}  {unit.missing}"
    coupling, flatness, loss = (_value(unit, name) for name in ("coupling_db", "flatness_db", "return_loss_db"))
    said = " · ".join([unit.decision or "", *(fault for fault, _ in unit.faults)])
    return f"  {unit.unit:<{width}} {coupling:>10} {flatness:>10} {loss:>12}  {said}"


def _value(unit: BatchUnit, name: str) -> str:
    _, word, digits = WORDS[name]
    value = unit.value(name)
    sign = "±" if name == "flatness_db" else ""
    return "—" if value is None else f"{sign}{value:.{digits}f} {word}".rstrip()


def _figure_table(found: BatchStatistics) -> list[str]:
    if not found.others:
        return []
    lines = [f"  {'figure':<22} {'worst':>12} {'median':>12}  worst unit"]
    for name, each in found.others.items():
        words, unit, digits = WORDS[name]
        worst, median = (f"{value:.{digits}f} {unit}".rstrip() for value in (each.worst, each.median))
        lines.append(f"  {words.removesuffix(', worst'):<22} {worst:>12} {median:>12}  {each.unit}")
    return lines
