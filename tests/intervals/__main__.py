"""Run the population and print the tables: ``python -m tests.intervals``.

Exit status 1 where a limit is broken. ``--write`` puts the tables into ``docs/intervals.md``, those of readings on the line into
``docs/reading-intervals.md``.
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import date
from pathlib import Path

from tests.intervals import drift, reading, report, running
from tests.intervals.kept import Kept

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "intervals.md"
SEED = 20261125
BENCHES = 600
REFERENCE = 200
ALONE = 40
DRAWS = 2000
PAIRS = 4000
READINGS = 2000
WORKERS = 2


def main(words: list[str]) -> int:
    """Run as the options say; 0 where every limit is met."""
    options = _options(words)
    begin = time.perf_counter()
    plan = running.Plan(
        options.seed, options.benches, options.reference, options.alone, options.draws, options.pairs, options.workers
    )
    kept = Kept.at(options.keep)
    found = running.run(plan, _progress, kept)
    tables = [*report.tables_of(found), *drift.tables(options.seed, options.pairs, options.workers, _progress, kept)]
    text = report.document(tables, plan, options.date)
    print(text)
    print(f"{time.perf_counter() - begin:.0f} s", file=sys.stderr)
    if options.write:
        DOCUMENT.parent.mkdir(exist_ok=True)
        DOCUMENT.write_text(text + "\n", encoding="utf-8")
    if options.readings:
        on_the_line = reading.tables(reading.SEED, options.readings, options.workers, _progress)
        tables += on_the_line
        text = reading.document(on_the_line, reading.SEED, options.date)
        print(text)
        if options.write:
            reading.DOCUMENT.write_text(text, encoding="utf-8")
    broken = [table.title for table in tables if not table.met]
    for title in broken:
        print(f"broken: {title}", file=sys.stderr)
    return 1 if broken else 0


def _progress(said: str) -> None:
    print(said, file=sys.stderr, flush=True)


def _options(words: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.intervals", description=__doc__)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--benches", type=int, default=BENCHES, help="of each stratum")
    parser.add_argument("--reference", type=int, default=REFERENCE, help="benches of the reference kind")
    parser.add_argument("--alone", type=int, default=ALONE, help="benches for each input alone")
    parser.add_argument("--draws", type=int, default=DRAWS, help="of the analysis, for each bench")
    parser.add_argument("--pairs", type=int, default=PAIRS, help="pairs of proofs without drift")
    parser.add_argument("--readings", type=int, default=READINGS, help="readings of a transmitter, each with a unit of its own")
    parser.add_argument("--workers", type=int, default=WORKERS)
    parser.add_argument("--date", default=date.today().isoformat(), help="what the document is dated")
    parser.add_argument("--keep", type=Path, help="folder for outcomes as they come; a run that was stopped goes on from there")
    parser.add_argument("--write", action="store_true", help="write docs/intervals.md")
    return parser.parse_args(words)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
