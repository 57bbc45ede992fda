"""Tables for spreadsheets: ``--csv FILE``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

CsvOption = Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="Write the table into a new CSV file as well.")]


def write_csv(path: Path, rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> None:
    """Write rows as CSV (RFC 4180, UTF-8, lines end in LF); a list is joined with "; ", None is empty.

    UsageError: the file is there already; StoreError: it cannot be written.
    """
    import csv
    import io

    from harness.files import write_asked

    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([[_cell(row.get(column)) for column in columns] for row in rows])
    write_asked(path, table.getvalue(), force=False)


def _cell(value: Any) -> Any:
    return "; ".join(map(str, value)) if isinstance(value, list | tuple) else value
