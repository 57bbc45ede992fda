"""What a unit sheet says in words: the decision and why, what it was measured with, how sure, and the cautions of the type."""

from __future__ import annotations

from dataclasses import dataclass

from harness.errors import UsageError
from harness.quantities import show_frequency, show_power
from harness.records import BudgetLine, Proof, SamplerType
from harness.records.figure_text import bound_text, figure_words, probability_text, tolerance_text, value_text
from harness.sampler.design import Parts, of_type
from harness.sheets.cautions import Caution, build_cautions

MARKS = {"conforms": "✓", "does not conform": "✗", "undecided": "?"}
LEAST_SHARE = 0.05
LONGEST = 280
"""Characters of a remark on the sheet, which is one printed page; the record holds all of it."""
LONG_REASON, LONG_ENTRY = 130, 70
MOST_REASONS = 4
MOST_SHARES = 4


@dataclass(frozen=True)
class FigureRow:
    """One figure as the sheet shows it."""

    name: str
    value: str
    interval: str
    tolerance: str
    decision: str
    bad: bool


def decision_text(proof: Proof) -> str:
    """Return the decision: "conforms to hf30", "does not conform to hf30", "undecided"."""
    return proof.decision if proof.decision == "undecided" else f"{proof.decision} to {proof.type.name}"


def band_text(band_hz: tuple[float, float]) -> str:
    """Return "1.8 MHz to 54 MHz"."""
    return f"{show_frequency(band_hz[0])} to {show_frequency(band_hz[1])}"


def reasons(proof: Proof) -> tuple[str, ...]:
    """Return the sentences under the decision: what decided it, what would decide it, and checks that failed."""
    wanted = {"conforms": None, "does not conform": "does not conform", "undecided": "undecided"}[proof.decision]
    said = [_reason(name, proof) for name, figure in proof.figures.items() if wanted is not None and figure.decision == wanted]
    if proof.decision == "conforms":
        said = [f"Every figure meets its tolerance from {band_text(proof.band_hz)}."]
    if proof.probability is not None:
        said.append(f"Probability that the unit conforms: {probability_text(proof.probability)}.")
    said += [f"Check failed, {check.name}: {check.says.rstrip('.')}." for check in proof.checks if not check.ok]
    more = len(said) - MOST_REASONS
    shown = said if more <= 1 else [*said[:MOST_REASONS], f"… and {more} more in the record."]
    return tuple(shortened(one, LONG_REASON) for one in shown)


def shortened(text: str, most: int = LONGEST) -> str:
    """Return a text of at most about ``most`` characters, cut between words where it can be; a cut one says where the rest is."""
    if len(text) <= most:
        return text
    cut = text[:most]
    between = cut.rfind(" ")
    return f"{cut[:between] if between > most / 2 else cut} … (rest in the record)"


def _reason(name: str, proof: Proof) -> str:
    figure = proof.figures[name]
    value, bound = value_text(name, figure), bound_text(name, figure)
    shown = f"{bound} (95 %)" if value == "—" else f"{value}" + (f" (95 %: {bound})" if bound else "")
    by = f" It would be decided by: {figure.decides}." if figure.decides else ""
    words = figure_words(name).replace(", ±", ": ±") if name == "flatness_db" else f"{figure_words(name)}:"
    return f"{words[:1].upper()}{words[1:]} {shown}; {tolerance_text(name, figure)} allowed.{by}"


def sentence(text: str) -> str:
    """Return a text that begins with a capital and ends as a sentence does; "" as it is."""
    return text[:1].upper() + text[1:] + ("" if not text or text.endswith((".", "!", "?")) else ".")


def figure_rows(proof: Proof) -> tuple[FigureRow, ...]:
    """Return the figures, in the record's order."""
    return tuple(
        FigureRow(
            figure_words(name),
            value_text(name, figure),
            bound_text(name, figure) or "—",
            tolerance_text(name, figure),
            figure.decision or "—",
            figure.decision not in (None, "conforms"),
        )
        for name, figure in proof.figures.items()
    )


def measured_with(proof: Proof) -> tuple[tuple[str, str], ...]:
    """Return what it was measured with and when, as pairs of word and text."""
    told, bench = proof.circumstances, proof.bench
    ohms = ", ".join(f"{name} {ohm:g} Ω" for name, ohm in told.ohmmeter.items())
    pairs = (
        ("measured", when_text(told.when)),
        ("by", told.who),
        ("sequence", told.sequence),
        (
            "bench",
            "none: from files alone" if bench is None else bench.name + (f", {bench.bench.title}" if bench.bench.title else ""),
        ),
        ("analyser", told.analyser),
        ("calibration", told.calibration or "none of this program's"),
        ("ambient", "" if told.ambient_celsius is None else f"{told.ambient_celsius:g} °C"),
        ("ohmmeter", ohms),
        ("proof", f"{proof.proof}, {told.program}"),
    )
    return tuple((word, shortened(text, LONG_ENTRY)) for word, text in pairs if text)


def when_text(when: str) -> str:
    """Return "2024-05-04 10:11 +02:00" of a time in ISO 8601."""
    offset = when[19:].lstrip(".0123456789")
    return f"{when[:16].replace('T', ' ')} {'UTC' if offset in ('Z', '+00:00') else offset}".strip()


def shares_text(lines: tuple[BudgetLine, ...]) -> str:
    """Return the largest parts of a budget: "adapter at line out 58 %, residual directivity 28 %"."""
    told = [line for line in lines if line.share >= LEAST_SHARE][:MOST_SHARES]
    return ", ".join(f"{line.input} {100 * line.share:.0f} %" for line in told)


def built_as(type_: SamplerType) -> str:
    """Return the build in a line."""
    build = type_.build
    core = build.core if build.stack == 1 else f"{build.stack} × {build.core}"
    second = (
        "" if build.second_turns is None else f", second winding {build.second_turns} turns on {build.second_core or build.core}"
    )
    inside = f"{build.internal_ohm:g} Ω inside" if build.internal_ohm is not None else "outside: the 50 Ω of the instrument"
    return f"{build.turns} turns on {core}{second}, AWG {build.wire_awg}, {build.line}; termination {inside}"


def type_cautions(type_: SamplerType, parts: Parts) -> tuple[Caution, ...]:
    """Return the cautions of a type with its own numbers; without them where the tables do not know its parts."""
    try:
        return build_cautions(of_type(type_, parts, draws=0))
    except UsageError as error:
        most = f"{show_power(type_.use.line_power)}, line SWR {type_.use.line_swr:g}"
        return (
            Caution("No figures for this type", f"{error.message}. Work out what stands on its open port before any power."),
            Caution("Never transmit with nothing on the sample port", "High RF voltage stands there, and the core gets hot."),
            Caution(f"RF burns; never more than {most}", "Lid screwed on before any power."),
        )
