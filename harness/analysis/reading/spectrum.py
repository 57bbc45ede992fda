"""A list of spectral lines at the sample port as powers on the line, each below the carrier, and against limits.

Every line is corrected with the coupling at its own frequency. Lines within SAME_SHARE of each other (two tones and the products
beside them) have the line's load, the unit's and the chain's errors in common, and only the instrument's accuracy of their own;
the tones have that in common too. Lines further apart are drawn independently: what their errors have in common would cancel in a
ratio, so the interval of a ratio is on the wide side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from harness.analysis.levels import Array, dbm_of_watts, reflection_of_swr, watts_of_dbm
from harness.analysis.reading import chain as chains
from harness.analysis.reading import line as lines
from harness.analysis.reading.answer import SEED, TAILS, chain_notes, refuse_without_load
from harness.analysis.reading.chain import Chain
from harness.analysis.reading.limit_file import Limits, RuleEntry, allowed_of, rule_of
from harness.analysis.reading.products import Product, carriers_of, product_of
from harness.analysis.reading.unit import Coupling, Known
from harness.errors import DataError
from harness.quantities import show_frequency
from harness.records import Decision, Interval

MOST_LINES = 400
MOST_NUMBERS = 600_000
"""Draws times lines at most: keeps the answer quick."""
CONFORMS, FAILS = 0.975, 0.025
NEAR_SHARE = 0.05
"""Within this share of the carrier the line SWR is that of the carrier, elsewhere that of harmonics."""
SAME_SHARE = 0.005
"""Lines no further apart than this share of their frequency see the same line, unit and chain (chosen, no source)."""


@dataclass(frozen=True)
class AskedSpectrum:
    """Lines (Hz, dBm at the input), the chain, the line SWR at the carrier and elsewhere, carriers if said, bandwidth in Hz."""

    hz: tuple[float, ...]
    dbm: tuple[float, ...]
    chain: Chain
    line_swr: float
    harmonic_swr: float
    carriers_hz: tuple[float, ...] = ()
    bandwidth_hz: float | None = None
    limits: Limits | None = None


@dataclass(frozen=True)
class Verdict:
    """A line against its limit. ``limit_dbm``: at the value of the power. ``decision`` None: not judged, ``why`` says why."""

    clause: str
    limit_dbm: float | None
    decision: Decision | None
    probability: float | None
    why: str = ""


@dataclass(frozen=True)
class SpectralLine:
    """One line: delivered power in dBm with its interval, dB below the fundamental's mean power, dB below the stronger tone."""

    hz: float
    shown_dbm: float
    product: Product
    coupling_db: float
    where: str
    dbm: Interval
    below_db: Interval
    below_tone_db: Interval
    verdict: Verdict | None


@dataclass(frozen=True)
class Spectrum:
    """All lines by frequency. ``mean``: delivered mean power of the fundamental in W; ``pep``: of one carrier, or two tones.

    ``decision``: of all lines that were judged; None where none was.
    """

    lines: tuple[SpectralLine, ...]
    carriers_hz: tuple[float, ...]
    mean: Interval
    pep: Interval
    decision: Decision | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Powers:
    """Delivered powers in W: values (F,) and draws (draws, F)."""

    value: Array
    drawn: Array


def spectrum(known: Known, asked: AskedSpectrum, seed: int = SEED) -> Spectrum:
    """Return every line on the line. DataError: no line or too many, carriers that are not there; UsageError: no load."""
    if not 1 <= len(asked.hz) <= MOST_LINES:
        raise DataError(
            f"{len(asked.hz)} lines came; 1 to {MOST_LINES} are read",
            hint="Export the list of peaks, not every point of the trace.",
        )
    order = np.argsort(asked.hz)
    hz, dbm = (np.asarray(values, dtype=np.float64)[order] for values in (asked.hz, asked.dbm))
    refuse_without_load(known, asked.chain, float(hz[0]))
    at = carriers_of(list(hz), list(dbm), asked.carriers_hz)
    coupling = known.coupling(hz)
    powers = _powers(known, asked, coupling, dbm, at, seed)
    found = _fundamental(powers, at)
    rows = []
    for number in range(hz.size):
        product = Product("carrier", 1) if number in at else product_of(float(hz[number]), [float(hz[one]) for one in at])
        verdict = None if number in at or asked.limits is None else _judged(asked, hz, at, number, product, powers, found)
        rows.append(_row(number, hz, dbm, coupling, powers, found, product, verdict))
    return Spectrum(
        lines=tuple(rows),
        carriers_hz=tuple(float(hz[one]) for one in at),
        mean=_interval(found.mean.value[0], found.mean.drawn[:, 0]),
        pep=_interval(found.pep.value[0], found.pep.drawn[:, 0]),
        decision=_together([row.verdict for row in rows if row.verdict is not None]),
        notes=_notes(known, asked, coupling),
    )


def _groups(hz: Array) -> NDArray[np.intp]:
    """Return the number of each line's group, lines by rising frequency: those within SAME_SHARE of the first of it."""
    found, first = [0], float(hz[0])
    for one in hz[1:]:
        apart = float(one) > first * (1 + SAME_SHARE)
        first = float(one) if apart else first
        found.append(found[-1] + apart)
    return np.array(found, dtype=np.intp)


def _powers(known: Known, asked: AskedSpectrum, coupling: Coupling, dbm: Array, carriers: tuple[int, ...], seed: int) -> _Powers:
    rng = np.random.default_rng(seed)
    hz, chain, group = coupling.hz, asked.chain, _groups(coupling.hz)
    draws = int(min(20_000, max(1_500, MOST_NUMBERS // hz.size)))
    at = np.array([hz[group == number].mean() for number in range(group[-1] + 1)])
    here = np.abs(at / hz[carriers[0]] - 1) < NEAR_SHARE
    size = np.asarray(reflection_of_swr(np.where(here, asked.line_swr, asked.harmonic_swr)))
    matrix, s33 = known.matrix(at), known.s33(at)
    plain = lines.mean_on_line(matrix, size)
    shown = watts_of_dbm(dbm) / chains.nominal(chain, hz).wave(known.s33(hz)) ** 2
    drawn = lines.on_line(matrix, lines.reflections(rng, size, draws)).delivered / plain.delivered
    between = chains.drawn(chain, at, rng, draws).wave(known.s33_draws(at, rng, draws)) / chains.nominal(chain, at).wave(s33)
    accuracy = rng.uniform(-chain.accuracy_db, chain.accuracy_db, (draws, hz.size))
    accuracy[:, list(carriers)] = accuracy[:, list(carriers[:1])]
    off = coupling.off(rng.standard_normal((draws, at.size))[:, group]) + accuracy
    value = shown * 10 ** (coupling.db / 10) * plain.delivered[group]
    return _Powers(value, np.asarray(value * (drawn / between**2)[:, group] * 10 ** (off / 10), dtype=np.float64))


@dataclass(frozen=True)
class _Fundamental:
    """The fundamental's mean power, its PEP and the stronger tone, W: values (1,) and draws (draws, 1)."""

    mean: _Powers
    pep: _Powers
    tone: _Powers


def _fundamental(powers: _Powers, carriers: tuple[int, ...]) -> _Fundamental:
    at = list(carriers)
    value, drawn = powers.value[at], powers.drawn[:, at]
    crest = [(np.sqrt(one).sum(axis=-1, keepdims=True)) ** 2 for one in (value, drawn)]
    strongest = at[int(value.argmax())]
    return _Fundamental(
        _Powers(value.sum(keepdims=True), drawn.sum(axis=1, keepdims=True)),
        _Powers(crest[0], crest[1]),
        _Powers(powers.value[strongest : strongest + 1], powers.drawn[:, strongest : strongest + 1]),
    )


def _row(
    number: int,
    hz: Array,
    dbm: Array,
    coupling: Coupling,
    powers: _Powers,
    found: _Fundamental,
    product: Product,
    verdict: Verdict | None,
) -> SpectralLine:
    value, drawn = float(powers.value[number]), powers.drawn[:, number]

    def below(reference: _Powers) -> Interval:
        return _interval(10 * math.log10(reference.value[0] / value), 10 * np.log10(reference.drawn[:, 0] / drawn))

    return SpectralLine(
        hz=float(hz[number]),
        shown_dbm=float(dbm[number]),
        product=product,
        coupling_db=float(coupling.db[number]),
        where=coupling.where[number],
        dbm=_interval(float(dbm_of_watts(value)), 10 * np.log10(drawn / 1e-3)),
        below_db=below(found.mean),
        below_tone_db=below(found.tone),
        verdict=verdict,
    )


def _interval(value: float, drawn: Array) -> Interval:
    low, high = np.percentile(drawn, TAILS)
    unknown = math.isnan(float(low))
    return Interval(value=float(value), low=None if unknown else float(low), high=None if unknown else float(high))


def _judged(
    asked: AskedSpectrum,
    hz: Array,
    carriers: tuple[int, ...],
    number: int,
    product: Product,
    powers: _Powers,
    found: _Fundamental,
) -> Verdict:
    limits = asked.limits
    if limits is None:
        raise DataError("no limits were given")
    middle = float(np.mean([hz[one] for one in carriers]))
    rules = limits.of(middle, float(hz[number]))
    rule = rule_of(rules, float(found.mean.value[0]))
    if rule is None:
        return Verdict("", None, None, None, f"no rule of {limits.limits.name} is for this")
    limit = float(dbm_of_watts(rule.allowed(found.mean.value if rule.reference == "mean" else found.pep.value)[0]))
    why = _not_judged(asked, product, abs(float(hz[number]) - middle))
    if why:
        return Verdict(rule.clause, limit, None, None, why)
    return _decided(rule, limit, rules, powers.drawn[:, number], found)


def _decided(rule: RuleEntry, limit: float, rules: tuple[RuleEntry, ...], drawn: Array, found: _Fundamental) -> Verdict:
    allowed = allowed_of(rules, found.mean.drawn[:, 0], found.pep.drawn[:, 0])
    if np.isnan(drawn).any() or np.isnan(allowed).any():
        return Verdict(rule.clause, limit, "undecided", None, "the coupling is not known there, or no rule is for such a power")
    p = float(np.mean(drawn <= allowed))
    decision: Decision = "conforms" if p >= CONFORMS else "does not conform" if p <= FAILS else "undecided"
    return Verdict(rule.clause, limit, decision, p)


def _not_judged(asked: AskedSpectrum, product: Product, away: float) -> str:
    """Return why a line is not judged by a limit for spurious emission, or nothing."""
    beside = product.zone == 1 or (product.kind == "other" and asked.bandwidth_hz is not None)
    if not beside:
        return ""
    if asked.bandwidth_hz is None:
        return "beside the carrier: whether it is within the necessary bandwidth is not said (--bandwidth)"
    return "within the necessary bandwidth" if away <= asked.bandwidth_hz / 2 else ""


def _together(verdicts: list[Verdict]) -> Decision | None:
    said = [one.decision for one in verdicts if one.decision is not None]
    if not said:
        return None
    return "does not conform" if "does not conform" in said else "undecided" if "undecided" in said else "conforms"


def _notes(known: Known, asked: AskedSpectrum, coupling: Coupling) -> tuple[str, ...]:
    said = []
    beyond = [show_frequency(float(hz)) for hz, where in zip(coupling.hz, coupling.where, strict=True) if where == "beyond"]
    if beyond:
        first, last = (show_frequency(edge) for edge in (known.table.hz[0], known.table.hz[-1]))
        said.append(
            f"Outside the sweep, {first} to {last}: {', '.join(beyond)}. Taken is the coupling at the nearest swept frequency;"
            " no interval can be given there, and no verdict."
        )
    outside = sum(where == "swept" for where in coupling.where)
    if outside:
        low, high = (show_frequency(edge) for edge in known.band_hz)
        said.append(
            f"{outside} line{'s are' if outside > 1 else ' is'} outside the proved band, {low} to {high}, within the sweep."
        )
    said.append(
        f"The line SWR is taken as {asked.line_swr:g} at the carrier and {asked.harmonic_swr:g} elsewhere, every phase as likely;"
        " an antenna is rarely matched at a harmonic: take the spectrum into a dummy load, or state --harmonic-swr."
    )
    said.append("An analyser makes harmonics of its own: 10 dB more before it must not change the dB below the carrier.")
    said += chain_notes(asked.chain)
    if known.circuit is None:
        said.append(f"The type's circuit is not known ({known.without}): the port's reflection is bounded instead.")
    return tuple(said)
