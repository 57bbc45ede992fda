"""The scenario of ``tapproof demo``: a club's batch of six samplers, one of them with a resistor that should not be there.

Eight months later two of them are rechecked, and one of the two has changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from harness import files, rechecking, wiring
from harness.errors import StoreError
from harness.ports import Clock
from harness.proving import Filed, Wish

if TYPE_CHECKING:
    from harness.log.batches import BatchReport

BATCH = "winter"
FIRST = "WD-01"
BENCH_FILE = "bench.toml"
TYPE_FILE = "type.toml"
LATER_FILE = "bench-later.toml"
LOG_FOLDER = "log"
AGAIN = ("WD-02", "WD-03")
LATER = timedelta(days=243)
"""Eight months."""
CHANGED = """
[simulated.units."WD-03"]        # eight months later: a soldered joint of the line has gone resistive
fault = "high-resistance joint: line in, 1 ohm"
"""


def prove_batch(folder: Path, units: int) -> Iterator[Filed]:
    """Write the scenario's files into ``folder`` and prove ``units`` units, one after the other.

    StoreError where it cannot be written.
    """
    _lay_out(folder)
    wish = Wish(unit="", type_=str(folder / TYPE_FILE), bench=str(folder / BENCH_FILE), batch=BATCH, who="demonstration")
    with (
        wiring.open_store(str(folder / LOG_FOLDER)) as records,
        wiring.open_session(wish, records, yes=True, quiet=True) as (session, product),
    ):
        yield from wiring.prove_batch(wish, product, session, records, first=FIRST, count=units)


class LaterClock:
    """The demonstration's clock of the second half: eight months ahead of the computer's."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock

    def now(self) -> datetime:
        """Return the date and time eight months from now."""
        return self._clock.now() + LATER


def recheck(folder: Path) -> Iterator[Filed]:
    """Recheck two units of the scenario on the same bench, eight months later by a clock that is put forward.

    The calibration has expired, so the first recheck makes a new one.
    """
    with wiring.open_store(str(folder / LOG_FOLDER), LaterClock(wiring.SystemClock())) as records:
        for unit in AGAIN:
            begin = rechecking.start(unit, records)
            wish = begin.wish(Wish(unit, None, str(folder / LATER_FILE), sequence="", who="demonstration"))
            yield wiring.recheck(wish, begin, records, None, yes=True, quiet=True)


def batch_report(folder: Path) -> BatchReport:
    """Return the units and the statistics of the scenario's batch."""
    with wiring.open_store(str(folder / LOG_FOLDER)) as records:
        return wiring.batch_report(records, BATCH)


def free_folder(wanted: Path) -> Path:
    """Return ``wanted``, or with a number behind it where that holds a demonstration already: nothing is overwritten."""
    candidates = (wanted if number == 1 else wanted.with_name(f"{wanted.name}-{number}") for number in count(1))
    return next(folder for folder in candidates if not (folder / LOG_FOLDER).exists())


def _lay_out(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in (BENCH_FILE, TYPE_FILE):
            (folder / name).write_text(files.read_data_text(f"demo/{name}"), "utf-8")
        later = files.read_data_text(f"demo/{BENCH_FILE}") + CHANGED
        (folder / LATER_FILE).write_text(later, "utf-8")
    except OSError as error:
        raise StoreError(
            f"cannot write into {folder}: {error.strerror}", hint="Give a folder that can be written with --folder."
        ) from None


def where_things_are(folder: Path) -> tuple[str, ...]:
    """Return the lines that tell where the demonstration's files are and what to try next."""
    log = folder / LOG_FOLDER
    return (
        f"The type and the bench files: {folder / TYPE_FILE}, {folder / BENCH_FILE}, {folder / LATER_FILE}",
        f"Touchstone files and records: {log / 'proofs'}, a folder a proof",
        f"One unit's history:           tapproof show WD-04 --log {log}",
        f"The unit that has changed:    tapproof show WD-03 --log {log}",
        f"All units:                    tapproof list --log {log}",
    )
