"""Run the measurements and print the table: ``python -m tests.speed``, or with the names of some of them.

A measurement is a function that returns rows; it gets a name in MEASUREMENTS, and its baseline a line in BASELINES.
"""

from __future__ import annotations

import platform
import sys
from collections.abc import Callable
from datetime import datetime

from harness import files
from tests.speed import logs, one_unit, processes, uncertainty
from tests.speed.measuring import Row

MEASUREMENTS: dict[str, Callable[[], list[Row]]] = {
    "one-unit": one_unit.rows,
    "prove": processes.prove_rows,
    "help": processes.help_rows,
    "log-size": logs.size_rows,
    "log-write": logs.write_rows,
    "batch": logs.statistics_rows,
    "batch-memory": logs.memory_rows,
    "uncertainty": uncertainty.rows,
}
BASELINES = {
    "one-unit": "tests/speed/plain_script.py: the same messages to the same simulated analyser, and the same Touchstone files, "
    "with pyserial and scikit-rf and nothing else",
    "prove": "the same script as a process of its own",
    "help": "tests/speed/bare_typer.py: a typer program with one command",
    "log-size": "the same question to a log of 1,000 proofs",
    "log-write": "the same proof written into a log of 100",
    "batch": "skrf.Network on the Touchstone files of the same sweeps",
    "batch-memory": "500 MB",
    "uncertainty": "as many full solutions of the estimator, from 50 of them; then limits in seconds and MB",
}


def main(names: list[str]) -> int:
    """Print the table of the measurements called ``names``, or of all; 2 where one is not known."""
    unknown = [name for name in names if name not in MEASUREMENTS]
    if unknown:
        print(f"no measurement is called {unknown[0]!r}; there are: {', '.join(MEASUREMENTS)}", file=sys.stderr)
        return 2
    wanted = names or list(MEASUREMENTS)
    bench = files.read_bench(one_unit.BENCH)
    seed = bench.simulated.seed if bench.simulated else "none"
    print(f"Speed, {datetime.now().astimezone():%Y-%m-%d}; Python {platform.python_version()}; {bench.name}, seed {seed}.")
    print("Medians (least to most) of runs in turn with the baseline. Ratios travel between machines, times do not.\n")
    for name in wanted:
        print(f"{name}\n  baseline: {BASELINES[name]}")
        for row in MEASUREMENTS[name]():
            print(f"  {row.what}")
            print(f"    ours {row.ours} · baseline {row.baseline}")
            goal = "" if row.goal is None else f", goal at most {row.goal:g}: {'met' if row.met else 'not met'}"
            print(f"    ratio {row.ratio:.2f}{goal}")
        print()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
