"""One reading at the sample port as values on the line, each with a 95 % interval by Monte Carlo (JCGM 101) and its budget."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from harness.analysis.levels import Array, reflection_of_swr
from harness.analysis.reading import chain as chains
from harness.analysis.reading import line as lines
from harness.analysis.reading.chain import Chain
from harness.analysis.reading.level import Z0, Level
from harness.analysis.reading.unit import Coupling, Known
from harness.analysis.reading.waveform import Waveform
from harness.errors import UsageError
from harness.quantities import show_frequency
from harness.records import Interval

SEED = 20261125
DRAWS = 20_000
TAILS = (2.5, 97.5)
LOADING_PAD_DB = 10.0
"""A pad of so much loads the port though nothing is behind it: its return loss is twice that."""
HARMONICS_ON_A_CREST_DB = -40.0
"""Harmonics add to a crest or take from it; this much of them is allowed for in peak readings (an assumption, no source)."""


@dataclass(frozen=True)
class Share:
    """One input of the current's uncertainty: what, and half of the 95 % interval that it alone gives, in dB."""

    what: str
    db: float


@dataclass(frozen=True)
class LineValues:
    """Current A, voltage V (both r.m.s. of a sine), forward and delivered power W, at line out."""

    current: Interval
    voltage: Interval
    forward: Interval
    delivered: Interval

    def times(self, power: float) -> LineValues:
        """Return the same with every power multiplied by this, and current and voltage by its root."""
        root = math.sqrt(power)
        by = {"current": root, "voltage": root, "forward": power, "delivered": power}
        return LineValues(**{name: _times(getattr(self, name), factor) for name, factor in by.items()})

    def as_dict(self) -> dict[str, Any]:
        """Return the values for JSON."""
        names = {"current": "current_a", "voltage": "voltage_v", "forward": "forward_w", "delivered": "delivered_w"}
        return {key: getattr(self, name).model_dump() for name, key in names.items()}


def _times(value: Interval, by: float) -> Interval:
    low, high = (None if end is None else end * by for end in (value.low, value.high))
    return Interval(value=value.value * by, low=low, high=high)


@dataclass(frozen=True)
class Answer:
    """What a reading means. ``mean``: over the modulation; ``crest``: of the envelope (its powers are peak envelope powers).

    One of the two is None where the waveform was not said. ``port_watts``: into 50 Ω at the port. ``swr_db``: how far a power by
    I²·Z0 may be off at worst.
    """

    hz: float
    level: Level
    port_watts: float
    coupling: Coupling
    line_swr: float
    swr_db: float
    mean: LineValues | None
    crest: LineValues | None
    waveform: Waveform | None
    budget: tuple[Share, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Asked:
    """A reading: frequency Hz, what was shown, through what, at which line SWR, of which waveform (None: not said)."""

    hz: float
    level: Level
    chain: Chain
    line_swr: float
    waveform: Waveform | None = None


def answer(known: Known, asked: Asked, seed: int = SEED, draws: int = DRAWS) -> Answer:
    """Return what a reading means on the line. UsageError: a high-impedance input on a unit that needs its load."""
    hz = np.array([asked.hz])
    refuse_without_load(known, asked.chain, asked.hz)
    rng = np.random.default_rng(seed)
    coupling, matrix = known.coupling(hz), known.matrix(hz)
    size = np.asarray(reflection_of_swr(asked.line_swr)).reshape(1)
    wave = math.sqrt(asked.level.watts) / float(_shown(asked, chains.nominal(asked.chain, hz), known.s33(hz))[0])
    parts = _parts(known, asked, coupling, rng, draws)
    current = np.sum([one for _, one in parts], axis=0)
    drawn = lines.on_line(matrix, lines.reflections(rng, size, draws))
    plain = lines.mean_on_line(matrix, size)
    amount = wave * 10 ** (coupling.db[0] / 20)
    values = _values(plain, drawn, amount, current)
    mean, crest = _of_waveform(values, asked)
    matched = 20 * np.log10(drawn.current / plain.current)
    shares = [Share(what, _half(one)) for what, one in parts] + [Share("where the line's load sets the current", _half(matched))]
    return Answer(
        hz=asked.hz,
        level=asked.level,
        port_watts=wave**2,
        coupling=coupling,
        line_swr=asked.line_swr,
        swr_db=lines.swr_extremes_db(asked.line_swr),
        mean=mean,
        crest=crest,
        waveform=asked.waveform,
        budget=tuple(sorted((one for one in shares if one.db > 0 or math.isnan(one.db)), key=lambda one: -one.db)),
        notes=_notes(known, asked, coupling),
    )


def _shown(asked: Asked, between: chains.Between, s33: chains.Complex) -> Array:
    """Return what the instrument shows over the wave out of the port, both as √W. A scope's dBm are of its volts in 50 Ω."""
    by_volts = asked.level.is_volts or asked.chain.into != "50ohm"
    return between.volts(s33) if by_volts else between.wave(s33)


def _parts(known: Known, asked: Asked, coupling: Coupling, rng: np.random.Generator, draws: int) -> list[tuple[str, Array]]:
    """Return what each input may add to the current in dB, shape (draws, 1)."""
    hz = np.array([asked.hz])
    found = [("the unit's proof", coupling.draw(rng, draws) - coupling.db)]
    accuracy = asked.chain.accuracy_db
    if accuracy:
        found.append(("the instrument", rng.uniform(-accuracy, accuracy, (draws, 1))))
    if asked.level.is_peak:
        share = 10 ** (HARMONICS_ON_A_CREST_DB / 20)
        found.append(("harmonics on a crest", 20 * np.log10(1 + rng.uniform(-share, share, (draws, 1)))))
    names: dict[chains.Part, str] = {"match": "mismatch at the sample port", "pads": "pads", "cables": "cables"}
    plain = _shown(asked, chains.nominal(asked.chain, hz), known.s33(hz))
    for part, name in names.items():
        s33 = known.s33_draws(hz, rng, draws) if part == "match" else known.s33(hz)
        shown = _shown(asked, chains.drawn(asked.chain, hz, rng, draws, (part,)), s33)
        found.append((name, -20 * np.log10(shown / plain)))
    return [(name, one) for name, one in found if np.any(one != 0)]


def _half(db: Array) -> float:
    low, high = np.percentile(db, TAILS)
    return float(high - low) / 2


def _values(plain: lines.OnLine, drawn: lines.OnLine, amount: float, current_db: Array) -> LineValues:
    """Return the line's values for the current wave ``amount`` in √W, off by ``current_db`` (draws, 1)."""
    off = 10 ** (current_db / 20)
    found = {}
    for name, scale, power in (
        ("current", amount / math.sqrt(Z0), 1),
        ("voltage", amount * math.sqrt(Z0), 1),
        ("forward", amount**2, 2),
        ("delivered", amount**2, 2),
    ):
        low, high = np.percentile(getattr(drawn, name) * off**power, TAILS) * scale
        ends = (None, None) if math.isnan(low) else (float(low), float(high))
        found[name] = Interval(value=float(getattr(plain, name)[0]) * scale, low=ends[0], high=ends[1])
    return LineValues(**found)


def _of_waveform(values: LineValues, asked: Asked) -> tuple[LineValues | None, LineValues | None]:
    """Return values of the mean and of the crest."""
    if asked.waveform is None:
        return (None, values) if asked.level.is_peak else (values, None)
    ratio = asked.waveform.pep_over_mean
    return (values.times(1 / ratio), values) if asked.level.is_peak else (values, values.times(ratio))


def refuse_without_load(known: Known, chain: Chain, hz: float) -> None:
    """Raise UsageError where a high-impedance input alone is on the port of a winding that has its load outside.

    A pad of LOADING_PAD_DB or more is a load.
    """
    if chain.into != "1Mohm" or not known.external or chain.pads_db >= LOADING_PAD_DB:
        return
    error = ""
    if known.circuit is not None:
        at = np.array([hz])
        alone = float(chains.nominal(replace(chain, pads=(), cables=()), at).volts(known.s33(at))[0])
        error = (
            f" At {show_frequency(hz)} this design's winding would give {20 * math.log10(alone):.1f} dB more than into 50 ohm,"
            f" a factor of {alone**2:.0f} in power, and it hangs on strays."
        )
    raise UsageError(
        f"{known.unit} is externally terminated: into a high-impedance input alone its winding has no load, and the reading"
        f" says nothing of the line.{error}",
        hint="Put a 50 ohm load on a tee at the instrument and read with --into tee. Never transmit without that load.",
    )


def _notes(known: Known, asked: Asked, coupling: Coupling) -> tuple[str, ...]:
    """Return what has to be said beside the values."""
    low, high = (show_frequency(edge) for edge in known.band_hz)
    first, last = (show_frequency(edge) for edge in (known.table.hz[0], known.table.hz[-1]))
    said = []
    if coupling.where[0] == "swept":
        said.append(
            f"{show_frequency(asked.hz)} is outside the proved band, {low} to {high}: the coupling was swept there, the type"
            " asks nothing of it."
        )
    if coupling.where[0] == "beyond":
        said.append(
            f"{show_frequency(asked.hz)} is outside the proved band, {low} to {high}, and outside the sweep, {first} to {last}:"
            f" taken is the coupling at the nearest swept frequency, {coupling.db[0]:.2f} dB, and no interval can be given."
        )
    said += chain_notes(asked.chain)
    if known.circuit is None:
        said.append(f"The type's circuit is not known ({known.without}): the port's reflection is bounded instead.")
    if asked.level.meaning == "r.m.s." and asked.waveform is None:
        said.append("The r.m.s. volts are taken as true ones, over the whole modulation.")
    if asked.level.is_peak:
        said.append(f"Harmonics of {HARMONICS_ON_A_CREST_DB:.0f} dB are allowed for in the crest (assumed, no source).")
    return tuple(said)


def chain_notes(chain: Chain) -> list[str]:
    """Return what was assumed of pads, cables and instrument."""
    said = []
    if not chain.stated and chain.into != "1Mohm":
        what = "the load on the tee" if chain.into == "tee" else "the instrument's input"
        pads = " and of each pad" if chain.pads else ""
        said.append(
            f"The return loss of {what}{pads} is not stated: {chains.ASSUMED_RETURN_LOSS_DB:g} dB or better is assumed"
            " (no source); state it with --input-swr or --input-return-loss."
        )
    if chain.into != "50ohm" and chain.farads == chains.SCOPE_FARAD:
        said.append("The scope's input capacitance is not stated: 10 to 20 pF are assumed (no source); --input-capacitance.")
    if not chain.accuracy_db:
        said.append("The instrument's own accuracy is not stated and not in the intervals; state it with --accuracy.")
    said += [
        f"The pad of {pad.db:g} dB is taken as exact; write '{pad.db:g}dB±0.3dB' for one that may be off."
        for pad in chain.pads
        if not pad.tolerance_db
    ]
    return said + [_cable_note(run) for run in chain.cables]


def _cable_note(run: chains.CableRun) -> str:
    at = "" if run.loss_hz is None else f" at {show_frequency(run.loss_hz)}, growing with the root of frequency"
    off = f", ± {run.share:.0%} of it (assumed, no source)" if run.share else ""
    return f"{run.says}: {run.loss_db:.2f} dB{at}{off}."
