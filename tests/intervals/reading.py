"""How often a reading's intervals hold what the line truly carries: ``python -m tests.intervals.reading``.

Every run proves a unit of its own on a simulated bench of its own (the population's), then reads a transmitter with it: once as a
level on a power meter or a scope, once as a list of spectral lines.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness import __version__
from harness.analysis import evaluate
from harness.analysis.reading.answer import DRAWS as FULL_DRAWS
from harness.analysis.reading.answer import Asked, LineValues, answer
from harness.analysis.reading.chain import CableRun, Chain, Pad
from harness.analysis.reading.level import parse_level
from harness.analysis.reading.spectrum import AskedSpectrum, spectrum
from harness.analysis.reading.unit import Known, circuit_of
from harness.analysis.reading.waveform import trace_levels, waveform
from harness.records import Interval
from harness.sampler.design import shipped_parts
from tests.intervals.limits import Row, Table
from tests.intervals.population import STRATA, UNIT, Case, draw_case
from tests.intervals.proportions import Share
from tests.intervals.proving import Measured, measure
from tests.intervals.reading_scene import (
    CARRIERS_HZ,
    TONE_STEPS,
    Complex,
    Floats,
    Input,
    ThreePort,
    crest_factor,
    draw_line_load,
    draw_waveform,
    harmonics_of,
    in_disc,
    mean_power,
    solve,
    trace_of,
)
from tests.intervals.running import pool_of

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "reading-intervals.md"
SEED = 20261125
RUNS = 2000
DRAWS = 1000
TONES_APART = 1e-4
LINE = 0.94
CURRENT = (0.94, 0.975)
QUANTITIES = ("current", "voltage", "forward power", "delivered power")
INSTRUMENTS = ("power meter", "scope, 50 ohm", "scope, tee", "scope, 1 Mohm")
LEVELS = ("SWR as stated", "SWR at most as stated")


@dataclass(frozen=True)
class Held:
    """One stated interval and the truth: of what, in which run, and the interval's half width in dB."""

    what: str
    group: str
    swr: str
    holds: bool
    width_db: float


def one_run(seed: int, number: int) -> list[Held]:
    """Return every interval of one run."""
    known, three_port = prove_one(seed, number)
    rng = np.random.default_rng([seed, 77, number])
    return [*read_level(rng, known, three_port, number), *read_spectrum(rng, known, three_port, number)]


def prove_one(seed: int, number: int) -> tuple[Known, ThreePort]:
    """Return a unit of the population as its proof knows it, and its true three-port."""
    case = draw_case(STRATA[number % len(STRATA)], number, seed)
    measured = measure(case)
    return _known(case, measured, number), measured.at.unit_three_port


def _known(case: Case, measured: Measured, number: int) -> Known:
    said = evaluate(
        measured.sweeps,
        case.type_,
        measured.terminations,
        (),
        case.adapters,
        residuals=case.residuals,
        seed=number,
        draws=DRAWS,
    )
    circuit = circuit_of(case.type_, shipped_parts())
    return Known(UNIT, case.type_, case.type_.band_hz, said.coupling_table, circuit)


def _chain(rng: np.random.Generator, into: str, hz: Floats) -> tuple[Chain, Input]:
    """Return pads, cable and instrument as they are stated, and as they truly are at these frequencies."""
    bound = float(10 ** (-rng.uniform(20, 32) / 20))
    pads = tuple(Pad(float(db), float(rng.uniform(0.05, 0.5))) for db in rng.choice([10.0, 20.0], rng.integers(0, 3)))
    loss, share, delay = float(rng.uniform(0.05, 0.6)), 0.2, float(rng.uniform(2e-9, 15e-9))
    cable = (CableRun("a cable", loss, 50e6, delay, share),) if rng.uniform() < 0.5 else ()
    farads = (10e-12, 20e-12)
    accuracy = float(rng.uniform(0.1, 0.6))
    chain = Chain(into, pads, cable, bound, True, farads, accuracy)  # type: ignore[arg-type]
    lost = sum(pad.db + rng.uniform(-pad.tolerance_db, pad.tolerance_db) for pad in pads) * np.ones(hz.size)
    turned = np.ones(hz.size, dtype=np.complex128)
    if cable:
        lost = lost + loss * np.sqrt(hz / 50e6) * (1 + rng.uniform(-share, share))
        turned = np.exp(-2j * np.pi * hz * delay)
    none = np.zeros(hz.size, dtype=np.complex128)
    true = Input(
        gamma1=in_disc(rng, bound, hz.size) if pads else none,
        gamma2=in_disc(rng, bound, hz.size) if pads else none,
        t=np.asarray(10 ** (-lost / 20) * turned, dtype=np.complex128),
        load=in_disc(rng, bound, hz.size),
        into=into,
        farads=float(rng.uniform(*farads)),
        gain_db=float(rng.uniform(-accuracy, accuracy)),
    )
    return chain, true


def read_level(rng: np.random.Generator, known: Known, three_port: ThreePort, number: int, draws: int = FULL_DRAWS) -> list[Held]:
    """Read one level: a power meter's mean, or a scope's crest."""
    carrier = float(rng.uniform(*CARRIERS_HZ[rng.integers(len(CARRIERS_HZ))]))
    shape, power = draw_waveform(rng), float(10 ** rng.uniform(0, 3))
    instrument = INSTRUMENTS[rng.integers(3 if known.external else 4)]
    into = {"scope, tee": "tee", "scope, 1 Mohm": "1Mohm"}.get(instrument, "50ohm")
    hz = carrier * (1 + np.array([step for step, _ in shape.components]) / TONE_STEPS / 40)
    chain, at = _chain(rng, into, np.array([carrier]))
    at = _taken(at, np.zeros(hz.size, dtype=np.intp))
    swr, most = float(rng.uniform(1.0, 3.0)), number % 2 == 1
    gamma = np.repeat(draw_line_load(rng, swr, 1, at_most=most), hz.size)
    amplitude = np.sqrt(power) * np.array([size for _, size in shape.components], dtype=np.complex128)
    found = solve(np.repeat(three_port(np.array([carrier])), hz.size, axis=0), amplitude, gamma, at, hz)
    shown = _shown(rng, instrument, hz, carrier, found.wave, found.volts, at.gain_db)
    said = answer(known, Asked(carrier, parse_level(shown), chain, swr, waveform(shape.name, shape.depth)), number, draws)
    true = _truths(hz, carrier, found.line.forward, found.line.back, found.line.current, found.line.voltage)
    held = []
    for moment, values in (("mean", said.mean), ("crest", said.crest)):
        if values is not None and not (moment == "crest" and shape.name == "cw"):
            held += _held(values, true[moment], instrument, LEVELS[most], "" if moment == "mean" else ", PEP")
    return held


def _shown(
    rng: np.random.Generator, instrument: str, hz: Floats, carrier: float, wave: Complex, volts: Complex, gain_db: float
) -> str:
    """Return what the instrument shows, off by its gain; a scope's crest has harmonics on it."""
    gain = 10 ** (gain_db / 20)
    if instrument == "power meter":
        return f"{10 * np.log10(np.sum(np.abs(wave) ** 2) * gain**2 / 1e-3):.6f} dBm"
    extra = [number for number in (2, 3) if rng.uniform() < 0.8]
    sizes = 10 ** (rng.uniform(-60, -46, len(extra)) / 20) * np.max(np.abs(volts))
    phasors = np.concatenate([volts, sizes * np.exp(2j * np.pi * rng.uniform(size=len(extra)))])
    every = np.concatenate([hz, carrier * np.array(extra, dtype=np.float64)])
    # the modulation is drawn slow, and a trace of it is long: steps of the carrier over TONE_STEPS stand for it
    fast = np.where(np.abs(every / carrier - 1) < 0.1, carrier * (1 + (every / carrier - 1) * 40), every)
    seconds, trace = trace_of(fast, phasors, carrier)
    return f"{2 * trace_levels(seconds, trace * gain, carrier).peak:.9f} Vpp"


def _truths(
    hz: Floats, carrier: float, forward: Complex, back: Complex, current: Complex, voltage: Complex
) -> dict[str, list[float]]:
    """Return current, voltage, forward and delivered power at line out, of the mean and of the crest."""
    crest = crest_factor(hz, forward, carrier)
    values = [
        float(np.sqrt(np.sum(np.abs(current) ** 2))),
        float(np.sqrt(np.sum(np.abs(voltage) ** 2))),
        float(np.sum(np.abs(forward) ** 2)),
        mean_power(forward, back),
    ]
    powers = [crest, crest, crest**2, crest**2]
    return {"mean": values, "crest": [value * more for value, more in zip(values, powers, strict=True)]}


def _held(values: LineValues, truths: Sequence[float], group: str, swr: str, more: str) -> list[Held]:
    intervals = (values.current, values.voltage, values.forward, values.delivered)
    return [
        Held(what + more, group, swr, *_in(interval, truth, 20 if n < 2 else 10))
        for n, (what, interval, truth) in enumerate(zip(QUANTITIES, intervals, truths, strict=True))
    ]


def _in(interval: Interval, truth: float, factor: float) -> tuple[bool, float]:
    low, high = interval.low, interval.high
    if low is None or high is None:
        return False, float("inf")
    return low <= truth <= high, float(factor * np.log10(high / low) / 2)


def read_spectrum(rng: np.random.Generator, known: Known, three_port: ThreePort, number: int) -> list[Held]:
    """Read a list of lines: a carrier, or two tones with products beside them, and harmonics; each zone has its own line load."""
    carrier = float(rng.uniform(*CARRIERS_HZ[rng.integers(len(CARRIERS_HZ))]))
    two, harmonics = bool(rng.uniform() < 1 / 3), harmonics_of(carrier)
    tones = (1.0, 1.0 + TONES_APART) if two else (1.0,)
    products = (1.0 - TONES_APART, 1.0 + 2 * TONES_APART) if two else ()
    places = np.array([*tones, *products, *harmonics], dtype=np.float64)
    zone = np.array([0] * (len(tones) + len(products)) + list(range(1, len(harmonics) + 1)))
    power, below = float(10 ** rng.uniform(0, 3)), np.array([0.0] * len(tones) + [0.0] * (len(places) - len(tones)))
    below[len(tones) :] = rng.uniform(30, 65, len(places) - len(tones))
    hz, at = carrier * places, carrier * np.array([1, *harmonics], dtype=np.float64)
    chain, true_input = _chain(rng, "50ohm", at)
    swr, harmonic_swr, most = float(rng.uniform(1.0, 2.0)), float(rng.uniform(1.0, 4.0)), number % 2 == 1
    gamma = draw_line_load(rng, harmonic_swr, at.size, at_most=most)
    gamma[0] = draw_line_load(rng, swr, 1, at_most=most)[0]
    amplitude = np.sqrt(power) * 10 ** (-below / 20) + 0j
    found = solve(three_port(hz), amplitude, gamma[zone], _taken(true_input, zone), hz)
    off = rng.uniform(-chain.accuracy_db, chain.accuracy_db, hz.size)
    off[: len(tones)] = off[0]  # an instrument shows two equal tones beside each other alike
    dbm = 10 * np.log10(np.abs(found.wave) ** 2 / 1e-3) + off
    asked = AskedSpectrum(tuple(hz), tuple(dbm), chain, swr, harmonic_swr, tuple(hz[: len(tones)]))
    said = spectrum(known, asked, seed=number)
    true = np.abs(found.line.forward) ** 2 - np.abs(found.line.back) ** 2
    order = np.argsort(hz)
    held = [Held("carrier or tones, mean power", "spectrum", LEVELS[most], *_in(said.mean, float(true[: len(tones)].sum()), 10))]
    for line, truth in zip(said.lines, true[order], strict=True):
        if line.product.kind == "carrier":
            continue
        name, ratio = line.product.kind, 10 * np.log10(true[: len(tones)].sum() / truth)
        held.append(Held(f"{name}, delivered power", "spectrum", LEVELS[most], *_in_db(line.dbm, 10 * np.log10(truth / 1e-3))))
        held.append(Held(f"{name}, dB below the mean power", "spectrum", LEVELS[most], *_in_db(line.below_db, ratio)))
    return held


def _taken(true: Input, zone: NDArray[np.intp]) -> Input:
    """Return the input at lines of these zones, each as it is there."""
    at = [one[zone] for one in (true.gamma1, true.gamma2, true.t, true.load)]
    return Input(at[0], at[1], at[2], at[3], true.into, true.farads, true.gain_db)


def _in_db(interval: Interval, truth: float) -> tuple[bool, float]:
    if interval.low is None or interval.high is None:
        return False, float("inf")
    return bool(interval.low <= truth <= interval.high), (interval.high - interval.low) / 2


def table_of(held: Sequence[Held], runs: int) -> Table:
    """Return the table: current two-sided against its limits, everything else at least LINE; each instrument beside it."""
    rows = []
    for what in dict.fromkeys(one.what for one in held):
        of_it = [one for one in held if one.what == what]
        for group in ("all", *(INSTRUMENTS if what == "current" else LEVELS)):
            some = [one for one in of_it if group in ("all", one.group, one.swr)]
            rows.append(_row(what, group, some))
    says = (
        f"{runs} runs: in each a unit is proved on a bench of its own, then a transmitter is read through its true three-port: "
        "unmodulated, two tones or AM, on a power meter or a scope through pads and cables, and as a list of harmonics on an "
        "analyser; every line load has a random phase, at the harmonics too. Share of 95 % intervals that hold what the line "
        f"truly carries at line out. Limits: current (at any SWR) {CURRENT[0]:.0%} to {CURRENT[1]:.1%}, the others at least "
        f"{LINE:.0%}, over all runs; in a part of them no confidence that lies wholly outside."
    )
    return Table(
        "Readings on the line", says, ("what", "runs with", "number", "holds the truth", "median half width"), tuple(rows)
    )


def _row(what: str, group: str, some: Sequence[Held]) -> Row:
    share = Share.of(one.holds for one in some)
    width = float(np.median([one.width_db for one in some]))
    low, high = CURRENT if what.startswith("current") else (LINE, 1.0)
    least, most = (share.value, share.value) if group == "all" else share.confidence
    met = most >= low and least <= high
    return Row((what, group, str(share.total), str(share), f"± {width:.2f} dB"), met)


def tables(seed: int, runs: int, workers: int, progress: Callable[[str], None] = lambda _: None) -> list[Table]:
    """Return the table of ``runs`` runs, on several processors."""
    held: list[Held] = []
    with pool_of(workers) as pool:
        for number, one in enumerate(pool.map(partial(one_run, seed), range(runs), chunksize=10), start=1):
            held += one
            if number % max(1, runs // 10) == 0:
                progress(f"{number} of {runs} readings")
    return [table_of(held, runs)]


def document(found: Sequence[Table], seed: int, when: str) -> str:
    """Return the tables as a document."""
    title = "# How often the intervals of a reading hold the truth"
    made = f"Made by `python -m tests.intervals.reading --write` on {when}, tapproof {__version__}, seed {seed}."
    return "\n\n".join([title, made, *(table.markdown() for table in found)]) + "\n"


def main(words: Sequence[str]) -> int:
    """Print the table, and write it where asked; 0 where every limit is met."""
    parser = argparse.ArgumentParser(prog="python -m tests.intervals.reading", description=__doc__)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--date", default=date.today().isoformat(), help="what the document is dated")
    parser.add_argument("--write", action="store_true", help="write docs/reading-intervals.md")
    options = parser.parse_args(words)
    found = tables(options.seed, options.runs, options.workers, lambda said: print(said, file=sys.stderr, flush=True))
    text = document(found, options.seed, options.date)
    print(text)
    if options.write:
        DOCUMENT.write_text(text, encoding="utf-8")
    return 0 if all(table.met for table in found) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
