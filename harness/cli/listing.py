"""``tapproof list``: the units that the log knows, latest first."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from harness.cli.csv_file import CsvOption
from harness.cli.options import JsonOption, LogOption
from harness.errors import UsageError

COLUMNS = (
    *("unit", "proof", "batch", "type", "bench", "when", "decision", "probability"),
    *("coupling_db", "flatness_db", "return_loss_db", "insertion_loss_db", "swr", "faults", "due"),
)
DECISIONS = ("conforms", "does not conform", "undecided")


def list_units(
    limit: Annotated[int, typer.Option("--limit", min=1, max=100_000, help="How many, latest first.")] = 50,
    batch: Annotated[str | None, typer.Option("--batch", metavar="NAME", help="Only this batch.")] = None,
    decision: Annotated[
        str | None, typer.Option("--decision", metavar="D", help='"conforms", "does not conform" or "undecided".')
    ] = None,
    type_: Annotated[str | None, typer.Option("--type", metavar="NAME", help="Only units of the type of this name.")] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="DAY", help="Proved on this day or later (2024-05-04).")] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DAY", help="Proved on this day or before.")] = None,
    fault: Annotated[str | None, typer.Option("--fault", metavar="NAME", help="Only units with this fault.")] = None,
    due: Annotated[
        bool, typer.Option("--due", help="Only units due for a recheck by their type, the longest due first.")
    ] = False,
    csv: CsvOption = None,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """List the units in the log with their newest proof that counts."""
    from harness import wiring
    from harness.cli.output import print_json
    from harness.log import Query

    _check(decision, since, until)
    with wiring.open_store(log) as store:
        now = wiring.utc_now(store) if due else None
        asked = Query(batch=batch, type_name=type_, decision=decision, since=since, until=until, fault=fault, due_before=now)
        rows = wiring.latest_units(store, limit, asked)
        empty = not rows and store.log.count() == 0
    if csv is not None:
        _write(csv, rows)
    if json_:
        print_json({"units": rows})
    else:
        typer.echo("\n".join(_lines(rows, empty=empty, due=due)))
    return 0


def _write(path: Any, rows: list[dict[str, Any]]) -> None:
    from harness.cli.csv_file import write_csv

    write_csv(path, rows, COLUMNS)


def _check(decision: str | None, since: str | None, until: str | None) -> None:
    if decision is not None and decision not in DECISIONS:
        raise UsageError(f"--decision: {decision!r} is none", hint=f"Allowed are {', '.join(map(repr, DECISIONS))}.")
    from datetime import date

    days = []
    for option, text in (("--since", since), ("--until", until)):
        try:
            days += [] if text is None else [date.fromisoformat(text)]
        except ValueError:
            raise UsageError(f"{option}: {text!r} is not a day", hint="Write it as 2024-05-04.") from None
        if text is not None and days[-1].isoformat() != text:
            raise UsageError(f"{option}: {text!r} is not a day", hint="Write it as 2024-05-04.")
    if len(days) == 2 and days[0] > days[1]:
        raise UsageError(f"--since {since} is after --until {until}", hint="Give the earlier day as --since.")


def _lines(rows: list[dict[str, Any]], *, empty: bool, due: bool) -> list[str]:
    from harness.cli.output import printable

    if empty:
        return ["The log holds no proof yet. 'tapproof prove UNIT --type T --bench B' makes one."]
    if not rows:
        return ["No unit is due for a recheck." if due else "No unit in the log is like that."]
    lines = [f"{'unit':<14} {'batch':<12} {'type':<10} {'when':<17} {'coupling':>10}  decision"]
    for row in rows:
        coupling = "—" if row["coupling_db"] is None else f"{row['coupling_db']:.2f} dB"
        when = row["when"][:16].replace("T", " ")
        said = [row["decision"], *row["faults"], *([f"due {row['due'][:10]}"] if due else [])]
        start = f"{row['unit']:<14} {row['batch'] or '—':<12} {row['type']:<10} {when:<17} {coupling:>10}"
        lines.append(printable(f"{start}  {' · '.join(said)}"))
    return lines
