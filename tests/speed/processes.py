"""Measurements of whole processes: ``tapproof prove`` against the plain script, ``tapproof --help`` against bare typer."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.speed.measuring import Row, in_turn, row_of, timed

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
PROGRAM = (sys.executable, "-c", "from harness.cli import main; main()")
"""What the installed command does."""
PROVE_GOAL, HELP_GOAL = 2.0, 2.0
PROVE_RUNS, HELP_RUNS = 9, 15


def run(*words: str) -> None:
    """Run a process to its end; CalledProcessError, with what it said, where it fails."""
    done = subprocess.run(words, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True)
    if done.returncode != 0:
        sys.stderr.write(done.stderr)
        raise subprocess.CalledProcessError(done.returncode, words)


def prove_rows() -> list[Row]:
    """Return the rows for proving one unit, from the start of the process to its end, the calibration stored before.

    The first without the search for faults, which the script has nothing like; the second as the command is given.
    """
    with tempfile.TemporaryDirectory() as name:
        folder, log = Path(name), str(Path(name) / "log")
        bench = ("--bench", "simulated-scpi", "--yes", "--log", log)
        run(*PROGRAM, "calibrate", *bench)
        calibration = next((folder / "log" / "calibrations" / "simulated-scpi").iterdir())
        outs = (str(folder / f"out-{number}") for number in range(2 * (PROVE_RUNS + 1)))

        def ours(*more: str) -> float:
            return timed(lambda: run(*PROGRAM, "prove", "SPEED-1", "--type", "hf30", *bench, *more))

        def script() -> float:
            return timed(lambda: run(sys.executable, str(HERE / "plain_script.py"), str(calibration), next(outs)))

        plain = in_turn(lambda: ours("--no-diagnosis"), script, PROVE_RUNS)
        whole = in_turn(ours, script, PROVE_RUNS)
        return [
            row_of("the whole process that proves one unit, --no-diagnosis", plain, PROVE_GOAL),
            row_of("the same, and faults are looked for", whole, None),
        ]


def help_rows() -> list[Row]:
    """Return the row for the time to the help text."""

    def ours() -> float:
        return timed(lambda: run(*PROGRAM, "--help"))

    def bare() -> float:
        return timed(lambda: run(sys.executable, str(HERE / "bare_typer.py"), "--help"))

    return [row_of("start-up: --help", in_turn(ours, bare, HELP_RUNS), HELP_GOAL)]
