"""``tapproof bench``: make a bench by question and answer, find what is plugged in, check every message of a dialect."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import BenchOption, JsonOption, YesOption

if TYPE_CHECKING:
    from harness.bench_wiring import CheckedMessage, Noise

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Make a bench, find what is plugged in, check a dialect.")
TROUBLE = 3
"""Exit status when a message does not work."""


@app.command("new", short_help="Write a bench and its dialect by question and answer.")
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="What the bench is called.")],
    address: Annotated[str, typer.Option("--address", metavar="A", help="Where it is; 'tapproof bench find' lists addresses.")],
    folder: Annotated[Path, typer.Option("--folder", metavar="F", help="Where the two files go.")] = Path(),
    margin: Annotated[
        float, typer.Option("--margin", min=0.1, max=600, metavar="SECONDS", help="How long to wait for it.")
    ] = 5.0,
    force: Annotated[bool, typer.Option("--force", help="Write over files that are there.")] = False,
    json_: JsonOption = False,
) -> int:
    """Ask what the manual says, try each answer on the instrument, and write the bench file and the dialect file."""
    from harness import bench_wiring
    from harness.cli.output import print_json, printable

    bench, dialect = bench_wiring.new_bench(name, address, folder, force=force, margin_s=margin)
    if json_:
        print_json({"bench": str(bench), "dialect": str(dialect)})
    else:
        typer.echo(printable(f"bench {bench}\ndialect {dialect}\nNext: tapproof calibrate --bench {bench}"))
    return 0


@app.command("find", short_help="List serial ports and VISA resources.")
def find(json_: JsonOption = False) -> int:
    """List what is plugged in: serial ports with their descriptions, and VISA resources, as addresses for a bench file."""
    from harness import bench_wiring
    from harness.cli.output import print_json, printable

    found, why = bench_wiring.find()
    if json_:
        print_json({"found": [vars(one) for one in found], "visa": why or None})
        return 0
    lines = [f"{one.address}  {one.description}".rstrip() for one in found] or ["nothing is plugged in"]
    lines += [f"VISA could not look: {why}"] if why else []
    typer.echo("\n".join(printable(line.replace("\n", " ")) for line in lines))
    return 0


@app.command("check", short_help="Try every message of a dialect on the instrument.")
def check(bench: BenchOption, yes: YesOption = False, json_: JsonOption = False) -> int:
    """Try every message of the dialect once, then measure noise floor and trace noise; say what works."""
    from harness import bench_wiring
    from harness.cli.output import print_json, printable

    with bench_wiring.open_check(bench, yes=yes, quiet=json_) as opened:
        tried = []
        for one in opened.messages():
            tried.append(one)
            if not json_:
                typer.echo(printable(_row(one, opened.source)))
        works = all(one.ok for one in tried)
        noise = opened.noise() if works else None
    if json_:
        print_json(_document(tried, noise, opened.source))
    else:
        typer.echo("\n".join(_summary(tried, noise)))
    return 0 if works else TROUBLE


def _row(one: CheckedMessage, source: str) -> str:
    where = f"  ({source}, line {one.line})" if one.line is not None and not one.ok else ""
    return f"{'works ' if one.ok else 'FAILS '} {one.seconds:6.2f} s  {one.what:<40}  {' '.join(one.says.split())}{where}"


def _summary(tried: list[CheckedMessage], noise: Noise | None) -> list[str]:
    wrong = sum(not one.ok for one in tried)
    if noise is None:
        return [f"{len(tried)} messages, {wrong} fail: mend the lines that are named"]
    trace = ", ".join(f"{name.upper()} {value:.1f} dB" for name, value in noise.trace_db.items())
    return [
        f"{len(tried)} messages, all work; a sweep with its reading takes {noise.seconds:.2f} s",
        f"noise of one point over {noise.sweeps} sweeps, below a total reflection: {trace}",
        f"S21 with both cables open (leakage and noise floor): {noise.floor_db:.1f} dB",
    ]


def _document(tried: list[CheckedMessage], noise: Noise | None, source: str) -> dict[str, Any]:
    return {"dialect": source, "messages": [vars(one) for one in tried], "noise": None if noise is None else vars(noise)}
