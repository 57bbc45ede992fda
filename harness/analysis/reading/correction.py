"""The correction of one unit as a table for other programs: frequency, coupling, interval."""

from __future__ import annotations

import io
from csv import writer
from typing import Any

from harness.analysis.reading.unit import Known

COLUMNS = ("frequency_hz", "coupling_db", "low_db", "high_db", "in_proved_band")


def correction_rows(known: Known) -> list[dict[str, Any]]:
    """Return the swept points: Hz, coupling and its 95 % interval in dB, and whether the point lies in the proved band."""
    table, (low, high) = known.table, known.band_hz
    columns = zip(table.hz, table.db, table.low, table.high, strict=True)
    return [dict(zip(COLUMNS, (*row, low <= row[0] <= high), strict=True)) for row in columns]


def as_csv(known: Known) -> str:
    """Return the table as CSV (RFC 4180 but for line ends, which are LF), a header first."""
    text = io.StringIO()
    made = writer(text, lineterminator="\n")
    made.writerow(COLUMNS)
    for row in correction_rows(known):
        made.writerow([f"{row['frequency_hz']:.10g}", *(f"{row[name]:.4f}" for name in COLUMNS[1:4]), int(row["in_proved_band"])])
    return text.getvalue()


def as_two_columns(known: Known) -> str:
    """Return lines of frequency in Hz and coupling in dB with a blank between, and nothing else."""
    return "".join(f"{row['frequency_hz']:.10g} {row['coupling_db']:.4f}\n" for row in correction_rows(known))
