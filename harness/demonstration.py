"""The scenario of ``tapproof demo``: a club's batch of six samplers, one of them with a resistor that should not be there."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from pathlib import Path

from harness import files, wiring
from harness.errors import StoreError
from harness.proving import Filed, Wish

BATCH = "winter"
FIRST = "WD-01"
BENCH_FILE = "bench.toml"
TYPE_FILE = "type.toml"
LOG_FOLDER = "log"


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


def free_folder(wanted: Path) -> Path:
    """Return ``wanted``, or with a number behind it where that holds a demonstration already: nothing is overwritten."""
    candidates = (wanted if number == 1 else wanted.with_name(f"{wanted.name}-{number}") for number in count(1))
    return next(folder for folder in candidates if not (folder / LOG_FOLDER).exists())


def _lay_out(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in (BENCH_FILE, TYPE_FILE):
            (folder / name).write_text(files.read_data_text(f"demo/{name}"), "utf-8")
    except OSError as error:
        raise StoreError(
            f"cannot write into {folder}: {error.strerror}", hint="Give a folder that can be written with --folder."
        ) from None


def where_things_are(folder: Path) -> tuple[str, ...]:
    """Return the lines that tell where the demonstration's files are and what to try next."""
    log = folder / LOG_FOLDER
    return (
        f"The type and the bench file:  {folder / TYPE_FILE}, {folder / BENCH_FILE}",
        f"Touchstone files and records: {log / 'proofs'}, a folder a proof",
        f"One unit's history:           tapproof show WD-04 --log {log}",
        f"All units:                    tapproof list --log {log}",
    )
