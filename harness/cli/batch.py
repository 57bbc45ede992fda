"""``tapproof batch``: one batch's units and statistics."""

from __future__ import annotations

from typing import Annotated

import typer

from harness.cli.csv_file import CsvOption
from harness.cli.options import JsonOption, LogOption

COLUMNS = (
    *("unit", "proof", "type", "when", "decision", "coupling_db", "flatness_db", "return_loss_db", "insertion_loss_db", "swr"),
    *("faults", "missing"),
)


def batch(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The batch.")],
    csv: CsvOption = None,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Show a batch: one line a unit in the order of building, then what the numbers say and what to change next time."""
    from harness import wiring
    from harness.cli.csv_file import write_csv
    from harness.cli.output import print_json
    from harness.cli.print_batch import report_lines

    with wiring.open_store(log) as store:
        report = wiring.batch_report(store, name)
    document = report.as_dict()
    if csv is not None:
        write_csv(csv, document["units"], COLUMNS)
    if json_:
        print_json(document)
    else:
        typer.echo("\n".join(report_lines(report)))
    return 0
