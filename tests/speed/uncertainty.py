"""Measurements of the uncertainty: 10,000 draws by the linear treatment against full solution of every draw, and its limits."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

import numpy as np

from harness.analysis import evaluate, readings_of
from harness.analysis.estimator import estimate
from harness.records import KITS
from tests.analysis_bench import type_of
from tests.speed.measuring import Row, in_turn, in_words, row_of
from tests.uncertain_benches import Bench, Setting

DRAWS = 10_000
SOLVED = 50
RUNS = 5
GOAL = 0.1
LIMIT_SECONDS = {201: 2.0, 1601: 12.0}
LIMIT_MB = 300.0
MEASURE = """
import resource
from tests.speed.uncertainty import seconds
seconds()
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def seconds(points: int = 201, draws: int = DRAWS, *, two_path: bool = False) -> float:
    """Return the seconds of processor time that one unit's whole evaluation takes, all figures and the coupling table in it."""
    bench = Bench(1, Setting(two_path=two_path), hz=np.linspace(1e6, 100e6, points))
    sweeps, terminations = bench.sweeps(), bench.terminations()
    begin = time.process_time()
    evaluate(sweeps, type_of(), terminations, residuals=KITS["good"], draws=draws)
    return time.process_time() - begin


def solved_in_full(points: int = 201, draws: int = DRAWS) -> float:
    """Return the seconds that as many full solutions would take, from SOLVED of them."""
    bench = Bench(1, Setting(), hz=np.linspace(1e6, 100e6, points))
    readings = readings_of(bench.sweeps(), bench.terminations())
    begin = time.process_time()
    for _ in range(SOLVED):
        estimate(bench.hz, readings)
    return (time.process_time() - begin) * draws / SOLVED


def rows() -> list[Row]:
    """Return the rows for one unit of 201 points, for the limits in seconds of processor time, and for the memory."""
    what = f"the uncertainty of one unit, {DRAWS} draws of 201 points, all figures"
    found = [row_of(what, in_turn(seconds, solved_in_full, RUNS), GOAL)]
    for points, limit in LIMIT_SECONDS.items():
        took = [seconds(points, two_path=True) for _ in range(RUNS)]
        ratio = statistics.median(took) / limit
        found.append(Row(f"the same, two-path, {points} points, in processor time", in_words(took), f"{limit:g} s", ratio, 1.0))
    done = subprocess.run([sys.executable, "-c", MEASURE], capture_output=True, text=True, check=True)
    megabytes = int(done.stdout) / 1024  # kilobytes as Linux counts them
    what = "memory of a process that does this for 201 points"
    return [*found, Row(what, f"{megabytes:.0f} MB", f"{LIMIT_MB:.0f} MB", megabytes / LIMIT_MB, 1.0)]
