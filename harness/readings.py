"""The readings' edge: a unit's proof out of the log with all that has to be told of it, and readings into the log."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from harness import __version__, files
from harness.analysis.bands import Band, parse_bands
from harness.analysis.reading.answer import Answer, Asked
from harness.analysis.reading.chain import Chain
from harness.analysis.reading.level import Level, Meaning, is_ambiguous, parse_level
from harness.analysis.reading.limit_file import Limits, parse_limits
from harness.analysis.reading.listing import spectrum_list, trace_list
from harness.analysis.reading.unit import Known, known_unit
from harness.analysis.reading.waveform import Waveform, trace_levels
from harness.analysis.reading.wish import line_watts_of
from harness.bench_making.ports import Asker, Question
from harness.errors import UsageError
from harness.log import LogEntry
from harness.log.due import due_time, utc_text
from harness.log.reading_log import keep_reading
from harness.proving import Records
from harness.records import LoggedReading, Proof
from harness.sampler import Cable, parse_cables
from harness.sampler.design import Parts, shipped_parts

MAX_TRACE_BYTES = 10_000_000


@dataclass(frozen=True)
class Standing:
    """How a unit's proof stands: which, when, how old, what it decided, the last recheck, and whatever must be told.

    ``recheck_when``, ``drifted``: of the newest recheck that counts, None where there was none.
    """

    unit: str
    proof: str
    type: str
    when: str
    age_days: float
    decision: str
    band_hz: tuple[float, float]
    recheck_when: str | None
    drifted: bool | None
    warnings: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return it for JSON."""
        recheck = None if self.recheck_when is None else {"when": self.recheck_when, "drifted": self.drifted}
        return {
            "id": self.proof,
            "type": self.type,
            "when": self.when,
            "age_days": round(self.age_days, 2),
            "decision": self.decision,
            "band_hz": self.band_hz,
            "last_recheck": recheck,
            "warnings": self.warnings,
        }


@dataclass(frozen=True)
class ReadUnit:
    """A unit to be read: what is known of it, how its proof stands, the parts of the tables."""

    known: Known
    standing: Standing
    parts: Parts


def open_unit(unit: str, records: Records) -> ReadUnit:
    """Return a unit by its newest proof that counts. UsageError: the log does not know it, or every proof is withdrawn."""
    entries = records.log.history(unit)
    if not entries:
        raise UsageError(f"the log in {records.root} knows no unit {unit!r}", hint="'tapproof list' shows the units it knows.")
    counting = [entry for entry in entries if entry.withdrawn is None]
    if not counting:
        raise UsageError(
            f"every proof of {unit} is withdrawn: {entries[0].withdrawn}",
            hint="Prove it again; nothing of it is known until then.",
        )
    proof = counting[0].record()
    parts = shipped_parts()
    return ReadUnit(known_unit(proof, parts), _standing(proof, entries, counting, records.clock.now()), parts)


def _standing(proof: Proof, entries: Sequence[LogEntry], counting: Sequence[LogEntry], now: datetime) -> Standing:
    when = datetime.fromisoformat(proof.circumstances.when)
    recheck, drifted = _last_recheck(proof, counting)
    return Standing(
        unit=proof.unit,
        proof=proof.proof,
        type=proof.type.name,
        when=proof.circumstances.when,
        age_days=(now - when).total_seconds() / 86400,
        decision=proof.decision,
        band_hz=proof.band_hz,
        recheck_when=recheck,
        drifted=drifted,
        warnings=tuple(_warnings(proof, entries, now, drifted=drifted)),
    )


def _last_recheck(newest: Proof, counting: Sequence[LogEntry]) -> tuple[str | None, bool | None]:
    """Return when the unit was last compared with its reference proof, and what came of it."""
    for entry in counting:
        proof = newest if entry.proof == newest.proof else entry.record()
        if proof.drift is not None and proof.drift.get("reference") is not None:
            return proof.circumstances.when, bool(proof.drift.get("drifted"))
    return None, None


def _warnings(proof: Proof, entries: Sequence[LogEntry], now: datetime, *, drifted: bool | None) -> list[str]:
    said = []
    if proof.decision == "does not conform":
        said.append(f"The unit does not conform to its type {proof.type.name}. Its coupling is used as it was measured.")
    if proof.decision == "undecided":
        said.append(f"Whether the unit conforms to its type {proof.type.name} is undecided.")
    said += [f"The proof names a fault, {fault.fault} (weight {fault.weight:.2f}): {fault.says}" for fault in proof.faults]
    if drifted:
        said.append("The last recheck told that the unit has drifted. Taken is the newest proof, not the reference.")
    newer = entries[: next(number for number, entry in enumerate(entries) if entry.proof == proof.proof)]
    said += [f"A newer proof, {entry.when[:10]}, is withdrawn: {entry.withdrawn}" for entry in newer]
    due = due_time(proof.circumstances.when, proof.type.type.recheck_months)
    if due is not None and due <= utc_text(now):
        said.append(f"A recheck is due since {due[:10]}: run 'tapproof recheck {proof.unit}'.")
    return said


_MEANINGS: dict[str, Meaning] = {"pp": "peak-to-peak", "pk": "peak", "rms": "r.m.s."}


def level_of(text: str, asker: Asker | None) -> Level:
    """Return a level; volts that do not say how they are meant are asked for, and refused where nobody can be asked.

    UsageError: no level, or no answer that says it. Stopped.
    """
    if asker is None or not is_ambiguous(text):
        return parse_level(text)
    said = asker.ask(
        Question(
            "volts",
            f"Is {text.strip()} peak-to-peak, peak, or r.m.s.?",
            "As the instrument's screen names it.",
            None,
            tuple(_MEANINGS),
        )
    )
    return parse_level(text, meaning=_MEANINGS.get(said.strip().lower().replace(".", "").replace("-", "")))


def person() -> Asker | None:
    """Return who answers questions at the terminal, or None where there is no terminal."""
    from harness.operators import TerminalKeys, error_console
    from harness.operators.terminal_questions import TerminalAsker

    keys = TerminalKeys()
    return TerminalAsker(error_console(), keys) if keys.is_terminal() else None


def read_spectrum(path: Path) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return frequencies in Hz and levels in dBm of a file of spectral lines. FileError."""
    return spectrum_list(files.read_text(path, "a list of spectral lines"), str(path))


def asked_of_trace(path: Path, hz: float, chain: Chain, line_swr: float) -> Asked:
    """Return a scope's trace as a reading: its crest, and how far the mean power lies under it. FileError, DataError."""
    found = trace_levels(*trace_list(files.read_text(path, "a scope's trace", MAX_TRACE_BYTES), str(path)), hz)
    level = Level(f"{found.peak:.4g} V peak, {found.rms:.4g} V r.m.s.", "peak", found.peak)
    return Asked(hz, level, chain, line_swr, Waveform("the trace itself", found.pep(1.0) / found.mean(1.0)))


def shipped_bands() -> list[Band]:
    """Return the program's bands."""
    return list(parse_bands(files.read_data_text("bands.toml"), "bands.toml"))


def shipped_cables() -> dict[str, Cable]:
    """Return the program's cables."""
    return dict(parse_cables(files.read_data_text("cables.toml")))


def read_limits(name_or_path: str) -> Limits:
    """Return limits by the name of shipped ones, or of a file. UsageError: unknown name; FileError: cannot be used."""
    return parse_limits(*files.read_limits_text(name_or_path))


def keep(read: ReadUnit, answer: Answer, chain: Chain, power: str | None, note: str, records: Records) -> LoggedReading:
    """Keep a reading in the log and return its record. ``power``: the line's, as another instrument told it."""
    watts = None if power is None else line_watts_of(power)
    reading = reading_of(read, answer, chain, watts, note, records.clock.now().isoformat())
    keep_reading(records.root, records.log, reading)
    return reading


def reading_of(read: ReadUnit, answer: Answer, chain: Chain, line_watts: float | None, note: str, when: str) -> LoggedReading:
    """Return the record of one reading for the log; ``when``: ISO 8601 with offset."""
    values = answer.crest if answer.level.is_peak else answer.mean
    if values is None:
        raise UsageError("this reading has no value to log", hint="Read it without --waveform.")
    between = [f"{pad.db:g} dB" for pad in chain.pads] + [run.says for run in chain.cables]
    return LoggedReading(
        id=files.new_id(),
        unit=read.standing.unit,
        proof=read.standing.proof,
        when=when,
        hz=answer.hz,
        level=answer.level.text,
        into=chain.into,
        chain=", ".join(between),
        port_watts=answer.port_watts,
        crest=answer.level.is_peak,
        line_watts=line_watts,
        current_a=values.current.value,
        note=" ".join(note.split()),
        program=f"tapproof {__version__}",
    )
