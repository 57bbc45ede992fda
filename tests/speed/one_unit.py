"""Measurement: acquisition and filing of one unit with a stored calibration, against the plain script, in one process.

From opening the link to the Touchstone files on disk: exchanges, journal, correction, the three-port, the files. What ours does
between and the script does not do (the guard's looks, uncertainty, decision, sheet, the entry in the log) is timed within the
same run and taken off; a row of its own has all of it. The search for faults is switched off. Both speak to one simulated bench
over one kind of link. Before anything is timed it is made sure that both send the same messages, write the same files and come
to the same sweeps.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import skrf

from drivers.analyser import DialectAnalyser
from drivers.dialect import Dialect, parse_dialect
from drivers.links import open_link
from drivers.simulated.languages import Model
from drivers.simulated.server import Served, start
from drivers.transcript import escaped
from harness import assess, files, proving, wiring
from harness.log.unit_log import Log
from harness.operators import AlwaysDone, SimulatedHand, TerminalKeys, TerminalOperator, error_console
from harness.products import Product
from harness.proving import Filed, Records, Session, Wish
from harness.records import Bench
from harness.runner import Guard
from sequences import hookups
from tests.speed import plain_script
from tests.speed.measuring import Row, Stopwatch, in_turn, row_of

BENCH, TYPE, UNIT = "simulated-scpi", "hf30", "SPEED-1"
GOAL = 1.2
RUNS = 25
RUNS_PACED = 7
POINT_SECONDS = 1e-3
"""Time of one point where the analyser takes time to sweep: about a receiver bandwidth of 1 kHz; common practice, no source."""
AGREE = 0.01
"""How far corrected sweeps of two runs may be apart, linear: connectors are made anew (−66 dB) and noise is drawn anew."""
_MADE = (hookups.VERIFY_LOAD, hookups.COUPLED, hookups.LINE, hookups.COUPLED_FAR, hookups.SAMPLE_PORT)
_HOOK_UPS = {hookup.name: hookup for hookup in _MADE}


class Paced:
    """An instrument whose sweep takes ``seconds`` of real time."""

    def __init__(self, inner: Model) -> None:
        self.inner = inner
        self.seconds = 0.0

    def receive(self, data: bytes) -> bytes:
        """Pass on what comes; wait where a sweep is begun."""
        if self.seconds and b"INITiate:IMMediate" in data:
            time.sleep(self.seconds)
        return self.inner.receive(data)

    def hang_up(self) -> None:
        """Pass it on."""
        self.inner.hang_up()


@dataclass(frozen=True)
class Guarded(Product):
    """The product, the looks of its guard counted."""

    watch: Stopwatch = field(default_factory=Stopwatch)

    def guard_of_run(self, bench: Bench) -> Guard:
        """Return the counted guard."""
        return self.watch.counted(super().guard_of_run(bench))


EVALUATING = ((assess, "judge"), (proving, "filed_sheets"), (Log, "record"))
ASSEMBLING = ((sys.modules["harness.analysis.evaluate"], "_case"),)
"""What makes the three-port, which is filed; it is called in judging."""


@dataclass
class Place:
    """Where both sides work: one served bench, one log, one folder for the script's files."""

    bench: Bench
    product: Product
    dialect: Dialect
    served: Served
    pace: Paced
    records: Records
    folder: Path
    scripts: int = 0

    @property
    def calibration(self) -> Path:
        """The folder of the stored calibration."""
        return next((self.records.root / "calibrations" / self.bench.name).iterdir())

    def ours(self) -> float:
        """Prove the unit with the program and return the seconds of acquisition and filing."""
        watch = Stopwatch()
        product = Guarded(**vars(self.product), watch=watch)
        with watch.over(EVALUATING), watch.over(ASSEMBLING, -1.0):
            return self.prove(product)[0] - watch.seconds

    def all_of_ours(self) -> float:
        """Prove the unit with the program and return the seconds of all that it does."""
        return self.prove()[0]

    def prove(self, product: Product | None = None) -> tuple[float, Filed, list[str]]:
        """Return the seconds, the filed proof, and the messages sent."""
        begin = time.perf_counter()
        session, analyser = self._session()
        filed = proving.prove(Wish(UNIT, TYPE, BENCH, diagnosis=False), product or self.product, session, self.records)
        seconds = time.perf_counter() - begin
        analyser.close()
        lines = (filed.folder / "transcript.txt").read_text().splitlines()
        return seconds, filed, [line.split(" > ", 1)[1] for line in lines if " > " in line]

    def calibrate(self) -> None:
        """Calibrate the bench, once."""
        session, analyser = self._session()
        proving.calibrate(session, self.records)
        analyser.close()

    def _session(self) -> tuple[Session, DialectAnalyser]:
        analyser = DialectAnalyser(
            open_link(self.served.address),
            self.dialect,
            point_time_s=self.bench.sweep.point_time,
            margin_s=self.bench.analyser.timeout_margin,
        )
        analyser.identify()
        quiet = TerminalOperator(error_console(), TerminalKeys(), quiet=True)
        hand = SimulatedHand(AlwaysDone(quiet), self.served.bench.connect)
        return Session(self.bench, analyser, hand, self.served.bench.insert_unit, analyser.transcript.text), analyser

    def script(self) -> float:
        """Prove the unit with the plain script and return the seconds."""
        return self.run_script()[0]

    def run_script(self) -> tuple[float, Path, list[str]]:
        """Return the seconds, the folder written, and the messages sent."""
        self.scripts += 1
        out = self.folder / f"{self.scripts}"
        begin = time.perf_counter()
        analyser = plain_script.Analyser(self.served.address)
        self.served.bench.insert_unit(UNIT)
        plain_script.prove(analyser, self.calibration, out, lambda name: self.served.bench.connect(_HOOK_UPS[name]))
        seconds = time.perf_counter() - begin
        analyser.close()
        return seconds, out, [escaped(message) for message in analyser.sent]


@contextmanager
def place() -> Iterator[Place]:
    """Open everything that both sides use, the bench calibrated."""
    bench = files.read_bench(BENCH)
    product = wiring.read_product(Wish(UNIT, TYPE, BENCH, diagnosis=False), bench)
    dialect = parse_dialect(*files.read_dialect_text(bench.analyser.dialect))
    paced: list[Paced] = []

    def between(model: Model) -> Model:
        paced.append(Paced(model))
        return paced[0]

    with (
        tempfile.TemporaryDirectory() as folder,
        start(bench, product.type_, between=between) as served,
        wiring.open_store(str(Path(folder) / "log")) as records,
    ):
        made = Place(bench, product, dialect, served, paced[0], records, Path(folder) / "script")
        made.calibrate()
        yield made


def require_same_job(here: Place) -> None:
    """Raise RuntimeError unless both sides send the same messages, write the same files and come to the same sweeps."""
    _, filed, said = here.prove()
    _, out, script_said = here.run_script()
    if said != script_said:
        first = next((pair for pair in zip(said, script_said, strict=False) if pair[0] != pair[1]), (len(said), len(script_said)))
        raise RuntimeError(f"the script does not send what the program sends: {first}")
    ours, theirs = _touchstone(filed.folder), _touchstone(out)
    if ours != theirs:
        raise RuntimeError(f"the files are not the same: {sorted(ours ^ theirs)}")
    for name in sorted(name for name in ours if "/" not in name and not name.startswith("unit")):
        apart = float(np.max(np.abs(skrf.Network(filed.folder / name).s - skrf.Network(out / name).s)))
        if apart > AGREE:
            raise RuntimeError(f"{name}: the corrected sweeps are {apart:.2g} apart")


def _touchstone(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*.s?p")}


def rows() -> list[Row]:
    """Return the rows: an analyser that sweeps at once, and one that takes the time of a real sweep."""
    with place() as here:
        require_same_job(here)
        at_once = in_turn(here.ours, here.script, RUNS)
        everything = in_turn(here.all_of_ours, here.script, RUNS)
        here.pace.seconds = POINT_SECONDS * here.bench.sweep.points
        paced = in_turn(here.ours, here.script, RUNS_PACED)
    sweeps = f"{len(_HOOK_UPS)} sweeps of {here.bench.sweep.points} points"
    return [
        row_of(f"acquire and file one unit in a running program, {sweeps}, each over at once", at_once, GOAL),
        row_of(f"the same, each sweep taking {here.pace.seconds:.2f} s", paced, GOAL),
        row_of("with guard, uncertainty, decision, sheet and log, each sweep over at once", everything, None),
    ]
