"""Readings in the log: filed first, then entered; what is filed and not entered is entered by 'tapproof log check'."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, insert, select

from harness.errors import StoreError, TapproofError, UsageError
from harness.files.kept_readings import kept_readings, read_kept_reading, reading_stem, save_reading
from harness.files.names import utc_time
from harness.log.due import utc_text
from harness.log.schema import READINGS, UNITS
from harness.records import LoggedReading, parse_reading

if TYPE_CHECKING:
    from harness.log.unit_log import Log


def reading_row(reading: LoggedReading) -> dict[str, Any]:
    """Return the row of a reading. StoreError: a time that is none."""
    return {
        "id": reading.id,
        "unit": reading.unit,
        "taken": utc_text(utc_time(reading.when)),
        "record": reading.model_dump_json(),
    }


def enter(connection: Connection, reading: LoggedReading) -> bool:
    """Enter a reading; False where it is known. UsageError: its unit is not known. StoreError: another one has its id."""
    known = connection.execute(select(READINGS.c.record).where(READINGS.c.id == reading.id)).scalar()
    if known is not None:
        if parse_reading(known, "the log's record") == reading:
            return False
        raise StoreError(f"another reading with the id {reading.id} is in the log", hint="Run 'tapproof log check'.")
    if connection.execute(select(UNITS.c.name).where(UNITS.c.name == reading.unit)).scalar() is None:
        raise UsageError(f"the log knows no unit {reading.unit!r}", hint="'tapproof list' shows the units it knows.")
    connection.execute(insert(READINGS).values(reading_row(reading)))
    return True


def of_unit(connection: Connection, unit: str) -> list[LoggedReading]:
    """Return the readings of a unit, oldest first."""
    query = select(READINGS.c.record).where(READINGS.c.unit == unit).order_by(READINGS.c.taken, READINGS.c.id)
    return [parse_reading(record, "the log's record of a reading") for record in connection.execute(query).scalars()]


def keep_reading(root: Path, log: Log, reading: LoggedReading) -> None:
    """File a reading and enter it. StoreError."""
    save_reading(root, reading)
    log.enter_reading(reading)


def enter_kept_readings(root: Path, log: Log) -> list[str]:
    """Enter every reading on disk that the log does not know; return what is wrong, a sentence each."""
    wrong = []
    for stem in kept_readings(root):
        try:
            log.enter_reading(read_kept_reading(root, stem))
        except TapproofError as error:
            wrong.append(f"the reading {stem}: {error.message}")
    return wrong


def merge_reading(log: Log, root: Path, reading: LoggedReading, new: list[str], conflicts: list[str]) -> None:
    """Merge a reading of an archive: its id goes to ``new``, or a sentence to ``conflicts``; one that is known to neither."""
    if reading.unit not in log.unit_names():
        return  # its proofs were conflicts, and are told already
    stem = reading_stem(reading)
    try:
        if stem in set(kept_readings(root)):
            if read_kept_reading(root, stem) != reading:
                conflicts.append(f"reading {reading.id} of {reading.unit}: another one is filed as {stem}")
                return
        elif reading not in log.readings(reading.unit):
            save_reading(root, reading)
        if log.enter_reading(reading):
            new.append(reading.id)
    except TapproofError as error:
        conflicts.append(f"reading {reading.id} of {reading.unit}: {error.message}")


def kept_of(log: Log, units: Sequence[str]) -> dict[str, LoggedReading]:
    """Return the readings of these units by the names of their files, for an archive."""
    return {reading_stem(reading): reading for unit in units for reading in log.readings(unit)}
