"""``tapproof list``: the units that the log knows, latest first."""

from __future__ import annotations

from typing import Annotated

import typer

from harness.cli.options import JsonOption, LogOption


def list_units(
    limit: Annotated[int, typer.Option("--limit", min=1, max=100_000, help="How many, latest first.")] = 50,
    batch: Annotated[str | None, typer.Option("--batch", metavar="NAME", help="Only this batch.")] = None,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """List the units in the log with their latest proof."""
    from harness import wiring
    from harness.cli.output import print_json

    with wiring.open_store(log) as store:
        rows = wiring.latest_units(store, limit, batch)
    if json_:
        print_json({"units": rows})
        return 0
    if not rows:
        typer.echo("The log holds no proof yet. 'tapproof prove UNIT --type T --bench B' makes one.")
        return 0
    typer.echo(f"{'unit':<14} {'batch':<12} {'type':<10} {'when':<17} {'coupling':>10}  decision")
    for row in rows:
        coupling = "—" if row["coupling_db"] is None else f"{row['coupling_db']:.2f} dB"
        when = row["when"][:16].replace("T", " ")
        typer.echo(f"{row['unit']:<14} {row['batch'] or '—':<12} {row['type']:<10} {when:<17} {coupling:>10}  {row['decision']}")
    return 0
