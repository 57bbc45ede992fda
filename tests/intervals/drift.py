"""How often drift is cried where there is none, and how often it is found: ``python -m tests.intervals.drift``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from harness.analysis.drift import Kinship, Pair, difference, explain, judge, see
from harness.sampler import SamplerCircuit, nominal_circuit, three_port
from tests.intervals.drift_pairs import (
    BAND_HZ,
    HZ,
    REFERENCE,
    Change,
    Sitting,
    draw_pair,
    draw_standards,
    taken,
    with_level,
    with_notch,
    with_tilt,
)
from tests.intervals.kept import Kept
from tests.intervals.limits import Row, Table
from tests.intervals.proportions import Share
from tests.intervals.running import pool_of
from tests.uncertain_benches import Complex, Setting, core

SEED = 20261125
PAIRS = 4000
DRAWS = 2000
FALSE_ALARMS = (0.03, 0.06)
POWER = {"level": 0.95, "tilt": 0.85, "notch": 0.85}
NAMED = 0.9
"""Least share of changed units whose change is named. Chosen, no source."""


@dataclass(frozen=True)
class Kind:
    """One row: what the pairs are, and the least and most share of them that may be told to have drifted."""

    says: str
    setting: Setting = REFERENCE
    change: Change | None = None
    heavy_tails: bool = True
    check: bool = False
    limits: tuple[float | None, float | None] = (None, None)


QUIET = Kind("no drift: heavy tails, reference bench", limits=FALSE_ALARMS)
OTHERS = (
    Kind("no drift: normal contacts", heavy_tails=False),
    Kind("no drift: with a check standard", check=True),
    Kind("no drift: internal termination", replace(REFERENCE, termination="internal")),
    Kind("no drift: two-path", replace(REFERENCE, two_path=True)),
)
CHANGED = (
    Kind("level of 0.15 dB", change=with_level, limits=(POWER["level"], None)),
    Kind("tilt of 0.1 dB", change=with_tilt, limits=(POWER["tilt"], None)),
    Kind("notch of 0.15 dB, 3 MHz wide", change=with_notch, limits=(POWER["notch"], None)),
)


def told(kind: Kind, seed: int, number: int) -> tuple[bool, bool]:
    """Return what the two tests say of one pair."""
    pair = draw_pair(seed, number, kind.setting, kind.change, heavy_tails=kind.heavy_tails, check=kind.check)
    check = None if pair.check is None else Pair(see(pair.check[0]), see(pair.check[1]))
    found = difference(Pair(see(pair.reference), see(pair.now)), Kinship(), BAND_HZ, check)
    largest, features = judge(found, draws=DRAWS).tests
    return largest.drifted, features.drifted


def alarms_and_power(seed: int, pairs: int, pool: ProcessPoolExecutor, progress: Callable[[str], None], kept: Kept) -> Table:
    """Return the table of both tests: false alarms of ``pairs`` pairs, everything else of a sixteenth of them."""
    rows = []
    for kind in (QUIET, *OTHERS, *CHANGED):
        count = pairs if kind is QUIET else max(pairs // 16, 20)
        found = kept.mapped(pool, partial(told, kind, seed), list(range(count)), f"pairs, {kind.says}, seed {seed}", progress)
        either = Share.of(any(one) for one in found)
        each = [Share.of(one[test] for one in found) for test in (0, 1)]
        least, most = kind.limits
        met = None if kind.limits == (None, None) else (least or 0) <= either.value <= (1 if most is None else most)
        wanted = f"{(least or 0):.0%} to {(1 if most is None else most):.0%}" if met is not None else "—"
        rows.append(Row((kind.says, str(count), str(either), *(f"{one.value:.1%}" for one in each), wanted), met))
    says = (
        "Share of pairs of proofs told to have drifted, each test at 2.5 %: the largest deviation of any curve, and five "
        "features of the coupling. Between the two proofs lie a new calibration with the same standards, other contacts, cables "
        "and drift. In brackets the 95 % Clopper–Pearson confidence."
    )
    head = ("pairs", "number", "drift is told", "largest deviation", "five features", "wanted")
    return Table("Drift: false alarms and power", says, head, tuple(rows))


@dataclass(frozen=True)
class Damage:
    """One change of the build, its name, and how large it is drawn (factor from 1 to 2 on ``size``)."""

    fault: str
    where: str | None
    says: str
    size: float
    apply: Callable[[SamplerCircuit, float], SamplerCircuit]
    internal: bool = False


def _gap(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
    return replace(circuit, core_gap=at)


def _line_in(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
    return replace(circuit, line_in_joint=circuit.line_in_joint + at)


def _line_out(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
    return replace(circuit, line_out_joint=circuit.line_out_joint + at)


def _burnt(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
    return replace(circuit, internal_resistor=at)


def _shorted(circuit: SamplerCircuit, at: float) -> SamplerCircuit:
    return replace(circuit, shorted_turns=1.0, shorted_turns_leakage=at)


DAMAGES = (
    Damage("cracked core", None, "a core cracked, 0.05 to 0.1 mm", 0.05e-3, _gap),
    Damage("high-resistance joint", "line in", "a joint at line in, 1 to 2 Ω", 1.0, _line_in),
    Damage("high-resistance joint", "line out", "a joint at line out, 1 to 2 Ω", 1.0, _line_out),
    Damage("resistor out of value", None, "a resistor burnt, 60 to 120 Ω for 50 Ω", 60.0, _burnt, internal=True),
    Damage("shorted turns", None, "a turn shorted", 6e-9, _shorted),
)


def named(damage: Damage, seed: int, number: int) -> tuple[bool, bool]:
    """Return whether a damaged unit is told to have drifted, and whether the damage stands first among the explanations."""
    rng = np.random.default_rng([seed, DAMAGES.index(damage), number])
    setting = replace(REFERENCE, termination="internal" if damage.internal else "external")
    nominal = nominal_circuit(turns=16 if damage.internal else 32, core=core(), termination=setting.termination)
    built = _built(nominal, rng)
    units = [three_port(each, HZ) for each in (built, damage.apply(built, damage.size * rng.uniform(1.0, 2.0)))]
    standards = draw_standards(rng, setting, HZ)
    before, after = (see(taken(Sitting(rng, setting, standards, _complex(unit), HZ))) for unit in units)
    found = difference(Pair(before, after), Kinship(), BAND_HZ)
    first = explain(before, found, nominal)[0]
    return judge(found, draws=DRAWS).drifted, (first.fault, first.where) == (damage.fault, damage.where)


def _complex(unit: Complex) -> Complex:
    return np.asarray(unit, dtype=np.complex128)


def _built(circuit: SamplerCircuit, rng: np.random.Generator) -> SamplerCircuit:
    """Return the circuit as one builder made it: spreads as from unit to unit on the simulated bench."""
    before, after = (
        replace(line, impedance=line.impedance + rng.normal(), length=line.length * float(np.exp(0.1 * rng.normal())))
        for line in (circuit.line_before, circuit.line_after)
    )
    return replace(
        circuit,
        core_factor=float(np.exp(0.07 * rng.normal())),
        winding_leakage=circuit.winding_leakage * float(np.exp(0.12 * rng.normal())),
        winding_capacitance=circuit.winding_capacitance * float(np.exp(0.12 * rng.normal())),
        sample_capacitance=circuit.sample_capacitance * float(np.exp(0.2 * rng.normal())),
        line_before=before,
        line_after=after,
    )


def naming(seed: int, pairs: int, pool: ProcessPoolExecutor, progress: Callable[[str], None], kept: Kept) -> Table:
    """Return the table of damaged units, an eightieth of ``pairs`` for each damage."""
    count = max(pairs // 80, 5)
    rows = []
    for damage in DAMAGES:
        numbers = list(range(count))
        found = kept.mapped(pool, partial(named, damage, seed), numbers, f"damaged units, {damage.says}, seed {seed}", progress)
        drifted, first = (Share.of(one[which] for one in found) for which in (0, 1))
        rows.append(Row((damage.says, str(count), str(drifted), str(first)), min(drifted.value, first.value) >= NAMED))
    says = (
        f"Units that were damaged between two proofs: told to have drifted, and the damage named first. Limit: {NAMED:.0%} each. "
        "Damaged unit and explanation are made by the same circuit model, with other values of all that a build leaves open."
    )
    return Table("Drift: what has changed is named", says, ("damage", "units", "drift is told", "named first"), tuple(rows))


def tables(seed: int, pairs: int, workers: int, progress: Callable[[str], None], kept: Kept) -> list[Table]:
    """Return all tables of drift."""
    with pool_of(workers) as pool:
        return [alarms_and_power(seed, pairs, pool, progress, kept), naming(seed, pairs, pool, progress, kept)]


def main(words: Sequence[str]) -> int:
    """Print the tables; 0 where every limit is met."""
    parser = argparse.ArgumentParser(prog="python -m tests.intervals.drift", description=__doc__)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--pairs", type=int, default=PAIRS)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args(words)
    found = tables(options.seed, options.pairs, options.workers, lambda said: print(said, file=sys.stderr), Kept())
    print("\n\n".join(table.markdown() for table in found))
    return 0 if all(table.met for table in found) else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
