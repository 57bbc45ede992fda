"""A spectrum on the line as text and JSON."""

from __future__ import annotations

from typing import Any

from harness.analysis.reading.spectrum import AskedSpectrum, SpectralLine, Spectrum
from harness.cli.print_design import table
from harness.cli.print_reading import db_range, head, range_of, tail, under, value_of, wrapped
from harness.quantities import show_frequency
from harness.readings import ReadUnit


def spectrum_lines(read: ReadUnit, asked: AskedSpectrum, found: Spectrum) -> list[str]:
    """Return the lines that tell a spectrum."""
    carriers = " and ".join(show_frequency(hz) for hz in found.carriers_hz)
    two = len(found.carriers_hz) == 2
    lines = [
        f"{read.standing.unit}: {len(found.lines)} lines, {'tones' if two else 'carrier'} at {carriers}",
        f"  mean power delivered {value_of(found.mean, 'W')} ({range_of(found.mean, 'W')})",
    ]
    if two:
        lines.append(f"  peak envelope power {value_of(found.pep, 'W')} ({range_of(found.pep, 'W')}): both tones in step")
    judged = asked.limits is not None
    headings = ("frequency", "what", "on the line", "below the mean power", *(("limit", "verdict") if judged else ()))
    rows = [_row(line, judged=judged) for line in found.lines]
    lines += ["", *table(headings, rows, frozenset({1, 3, 5}))]
    if two:
        lines += ["", *_tones(found)]
    if asked.limits is not None:
        lines += ["", *_limits(asked, found)]
    return lines + under(read, found.pep.high or found.pep.value, asked.line_swr, found.notes)


def _row(line: SpectralLine, *, judged: bool) -> tuple[str, ...]:
    below = f"{line.below_db.value:.1f} dB ({db_range(line.below_db)})"
    cells: tuple[str, ...] = (
        show_frequency(line.hz),
        line.product.says,
        f"{line.dbm.value:.1f} dBm",
        "" if line.product.kind == "carrier" else below,
    )
    if not judged:
        return cells
    verdict = line.verdict
    if verdict is None:
        return (*cells, "", "")
    limit = "" if verdict.limit_dbm is None else f"{verdict.limit_dbm:.1f} dBm"
    sure = "" if verdict.probability is None or verdict.decision is None else f" (probability {verdict.probability:.2f})"
    said = "not judged" if verdict.decision is None else f"{verdict.decision}{sure if verdict.decision == 'undecided' else ''}"
    return (*cells, limit, said)


def _tones(found: Spectrum) -> list[str]:
    said = ["  intermodulation beside the tones, below one tone (below the peak envelope power: 6.02 dB more)"]
    for line in found.lines:
        if line.product.kind == "intermodulation" and line.product.zone == 1:
            below = line.below_tone_db
            said.append(
                f"    {show_frequency(line.hz):<14} order {line.product.order:<3} {below.value:.1f} dB ({db_range(below)})"
            )
    return said if len(said) > 1 else ["  no intermodulation product beside the tones is in the list"]


def _limits(asked: AskedSpectrum, found: Spectrum) -> list[str]:
    limits = asked.limits
    if limits is None:
        return []
    lines = [f"  {found.decision or 'nothing was judged'}: {limits.limits.title}"]
    clauses = dict.fromkeys(line.verdict.clause for line in found.lines if line.verdict is not None and line.verdict.clause)
    for clause in clauses:
        lines += wrapped("    ", clause)
    lines += wrapped("    ", f"{limits.limits.edition}. {limits.limits.note}".strip())
    verdicts = [line.verdict for line in found.lines if line.verdict is not None and line.verdict.why]
    reasons = dict.fromkeys(f"{one.decision or 'not judged'}: {one.why}." for one in verdicts)
    for reason in reasons:
        lines += wrapped("    ", reason)
    if found.decision == "undecided":
        said = (
            "An interval straddles the limit. What narrows it: a dummy load and its SWR (--line-swr, --harmonic-swr), pads with a"
            " stated match, the instrument's accuracy."
        )
        lines += wrapped("    ", said)
    return lines


def spectrum_document(read: ReadUnit, asked: AskedSpectrum, found: Spectrum) -> dict[str, Any]:
    """Return a spectrum for JSON."""
    limits = asked.limits
    return head(read) | {
        "carriers_hz": found.carriers_hz,
        "line_swr": asked.line_swr,
        "harmonic_swr": asked.harmonic_swr,
        "mean_w": found.mean.model_dump(),
        "pep_w": found.pep.model_dump(),
        "limits": None if limits is None else limits.limits.model_dump(),
        "decision": found.decision,
        "lines": [_line_document(line) for line in found.lines],
        **tail(read, found.pep.high or found.pep.value, asked.line_swr, found.notes),
    }


def _line_document(line: SpectralLine) -> dict[str, Any]:
    verdict = line.verdict
    return {
        "hz": line.hz,
        "shown_dbm": line.shown_dbm,
        "what": line.product.kind,
        "says": line.product.says,
        "harmonic": line.product.zone or None,
        "order": line.product.order or None,
        "coupling_db": line.coupling_db,
        "where": line.where,
        "dbm": line.dbm.model_dump(),
        "below_mean_db": line.below_db.model_dump(),
        "below_tone_db": line.below_tone_db.model_dump(),
        "limit": None if verdict is None else vars(verdict),
    }
