"""A reading as text in the terminal and as one JSON document; and what stands under every answer: the proof, cautions, notes."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Any

from harness.analysis.reading.answer import Answer, LineValues
from harness.analysis.reading.cautions import cautions_of
from harness.quantities import show_db, show_frequency, show_power
from harness.readings import ReadUnit
from harness.records import Interval
from harness.records.figure import decimals_of

WIDTH = 100
_SCALES = ((1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))
_QUANTITIES = (
    ("line current", "current", "A"),
    ("line voltage", "voltage", "V"),
    ("forward power", "forward", "W"),
    ("delivered power", "delivered", "W"),
)


def answer_lines(read: ReadUnit, found: Answer, whose: str) -> list[str]:
    """Return the lines that tell one reading. ``whose``: "stated" or "type", where the line SWR is from."""
    port = float(f"{found.port_watts:.6g}")  # 0 dBm is 1 mW, and not 1000 µW by a rounding error
    lines = [
        f"{read.standing.unit} at {show_frequency(found.hz)}: {found.level.text}{_kind(found)}",
        f"  out of the sample port {show_power(port)} ({in_units(math.sqrt(port * 50), 'V')} r.m.s.) into 50 ohm;"
        f" coupling {_coupling(found)}",
    ]
    for heading, values in _sections(found):
        lines += ["", f"  {heading}", *_values(values)]
    lines += ["", *_about_line(found, whose), *_budget(found)]
    return lines + under(read, crest_watts(found), found.line_swr, found.notes)


def _kind(found: Answer) -> str:
    return " (crest of the envelope)" if found.level.is_peak else " (mean)"


def _coupling(found: Answer) -> str:
    value, low, high = (float(one[0]) for one in (found.coupling.db, found.coupling.low, found.coupling.high))
    return f"{value:.2f} dB, no interval" if math.isnan(low) else f"{value:.2f} dB ({low:.2f} to {high:.2f} dB)"


def _sections(found: Answer) -> list[tuple[str, LineValues]]:
    mean, crest, kind = found.mean, found.crest, found.waveform
    if mean is not None and crest is not None:
        if mean == crest:
            return [("unmodulated carrier: mean and peak envelope are the same", mean)]
        name = "" if kind is None else f" ({kind.name}, {10 * math.log10(kind.pep_over_mean):.2f} dB between them)"
        return [(f"at the crest: powers are peak envelope power{name}", crest), ("mean over the modulation", mean)]
    if crest is not None:
        said = "at the crest: powers are peak envelope power (PEP); the mean power follows with --waveform"
        return [(said, crest)]
    return [] if mean is None else [("mean over the modulation; the peak envelope power follows with --waveform", mean)]


def _values(values: LineValues) -> list[str]:
    lines = []
    for what, name, unit in _QUANTITIES:
        interval: Interval = getattr(values, name)
        more = {"current": "r.m.s., whatever the line SWR", "voltage": "r.m.s., at line out"}.get(name, "")
        lines.append(f"    {what:<16} {value_of(interval, unit):>10}   {range_of(interval, unit):<24} {more}".rstrip())
    return lines


def value_of(interval: Interval, unit: str) -> str:
    """Return "1.44 A", with digits by the interval, three without one."""
    if interval.low is None or interval.high is None:
        return in_units(interval.value, unit)
    scale, prefix = _scale(interval.value)
    return f"{interval.value / scale:.{_digits(interval, scale)}f} {prefix}{unit}"


def range_of(interval: Interval, unit: str) -> str:
    """Return "1.37 to 1.50 A", or that there is none."""
    if interval.low is None or interval.high is None:
        return "no interval"
    scale, prefix = _scale(interval.value)
    digits = _digits(interval, scale)
    return f"{interval.low / scale:.{digits}f} to {interval.high / scale:.{digits}f} {prefix}{unit}"


def in_units(value: float, unit: str) -> str:
    """Return a value with three digits and a prefix: "2.24 V", "223 mV"."""
    scale, prefix = _scale(value)
    return f"{value / scale:.3g} {prefix}{unit}"


def _scale(value: float) -> tuple[float, str]:
    return next(((scale, prefix) for scale, prefix in _SCALES if abs(value) >= scale), _SCALES[-1])


def _digits(interval: Interval, scale: float) -> int:
    return decimals_of(((interval.high or 0.0) - (interval.low or 0.0)) / 2 / scale, 3)


def _about_line(found: Answer, whose: str) -> list[str]:
    where = "stated" if whose == "stated" else "the most that its type is for; --line-swr states another"
    said = (
        f"The sampler reads the line's current. Power and voltage rest on the line SWR, {found.line_swr:g} ({where}), whose phase"
        f" is not known: I²·50 ohm may be off by ± {found.swr_db:.2f} dB at the extremes. Delivered power is forward power"
        f" less what comes back; it is what a load turns into heat or waves."
    )
    return wrapped("  ", said)


def _budget(found: Answer) -> list[str]:
    if not found.budget or math.isnan(found.budget[0].db):
        return []
    said = " · ".join(f"{share.what} ± {share.db:.2f} dB" for share in found.budget if share.db >= 0.005)
    return wrapped("  ", f"The current's interval is made of: {said}.") if said else []


def crest_watts(found: Answer) -> float:
    """Return the delivered power in W that cautions count with: of the crest where it is known, the upper end."""
    values = found.crest or found.mean
    if values is None:
        return 0.0
    return values.delivered.high or values.delivered.value


def under(read: ReadUnit, watts: float, line_swr: float, notes: Sequence[str]) -> list[str]:
    """Return what stands under an answer: the proof, warnings and cautions, notes."""
    lines = ["", *wrapped("  ", _proof(read))]
    for said in (*read.standing.warnings, *cautions_of(read.known, watts, line_swr)):
        lines += wrapped("  ! ", said)
    for note in notes:
        lines += wrapped("  · ", note)
    return lines


def _proof(read: ReadUnit) -> str:
    standing = read.standing
    low, high = (show_frequency(edge) for edge in standing.band_hz)
    recheck = "no recheck yet"
    if standing.recheck_when is not None:
        recheck = f"last recheck {standing.recheck_when[:10]}, {'it has drifted' if standing.drifted else 'no drift'}"
    return (
        f"From proof {standing.proof} of {standing.when[:10]}, {_age(standing.age_days)} old ({standing.decision},"
        f" {standing.type}, {low} to {high}); {recheck}. 95 % intervals (JCGM 101)."
    )


def _age(days: float) -> str:
    if days < 1:
        return "less than a day"
    if days < 60:
        return f"{days:.0f} day{'s' if round(days) != 1 else ''}"
    return f"{days / 30.44:.0f} months"


def wrapped(mark: str, text: str) -> list[str]:
    """Return text in lines of at most WIDTH characters; ``mark`` before the first, the others set in under it."""
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark), break_on_hyphens=False)


def answer_document(read: ReadUnit, found: Answer, whose: str) -> dict[str, Any]:
    """Return a reading for JSON."""
    return head(read) | {
        "at_hz": found.hz,
        "level": {"text": found.level.text, "meaning": found.level.meaning, "port_w": found.port_watts},
        "coupling": {
            "db": float(found.coupling.db[0]),
            "low": number(found.coupling.low[0]),
            "high": number(found.coupling.high[0]),
            "where": found.coupling.where[0],
        },
        "line_swr": {"value": found.line_swr, "from": whose, "most_off_db": found.swr_db},
        "waveform": None if found.waveform is None else found.waveform.name,
        "mean": None if found.mean is None else found.mean.as_dict(),
        "crest": None if found.crest is None else found.crest.as_dict(),
        "budget_of_current": [{"input": share.what, "half_width_db": number(share.db)} for share in found.budget],
        **tail(read, crest_watts(found), found.line_swr, found.notes),
    }


def head(read: ReadUnit) -> dict[str, Any]:
    """Return what begins every document: the unit and its proof."""
    return {"unit": read.standing.unit, "proof": read.standing.as_dict()}


def tail(read: ReadUnit, watts: float, line_swr: float, notes: Sequence[str]) -> dict[str, Any]:
    """Return what ends every document: cautions and notes."""
    return {"cautions": list(cautions_of(read.known, watts, line_swr)), "notes": list(notes)}


def number(value: Any) -> float | None:
    """Return a number for JSON, None for one that is not finite."""
    return float(value) if math.isfinite(float(value)) else None


def db_range(interval: Interval, digits: int = 1) -> str:
    """Return "45.1 to 48.9 dB", or that there is none."""
    if interval.low is None or interval.high is None:
        return "no interval"
    return f"{interval.low:.{digits}f} to {show_db(interval.high, digits)}"
