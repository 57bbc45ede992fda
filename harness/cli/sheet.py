"""``tapproof sheet``: make a sheet again from the log."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.options import JsonOption, LogOption
from harness.errors import UsageError

if TYPE_CHECKING:
    from harness.sheet_texts import Kind, Made


def sheet(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A unit's serial, a proof's id, or a batch.")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The file to write; else it is named after what it is of.")
    ] = None,
    label: Annotated[bool, typer.Option("--label", help="The label for the unit's box, 50 × 25 mm, as SVG and PDF.")] = False,
    drift: Annotated[bool, typer.Option("--drift", help="The drift sheet: the proof beside its reference proof.")] = False,
    batch: Annotated[bool, typer.Option("--batch", help="The batch of this name, where a unit has the name too.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over files that are there.")] = False,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Make a unit's, a proof's or a batch's sheet again from the log: the same record gives the same bytes."""
    from harness import wiring
    from harness.cli.output import print_json
    from harness.files import check_free, write_asked
    from harness.sheet_texts import make_again

    kind = _kind(label=label, drift=drift, batch=batch)
    with wiring.open_store(log) as store:
        made = make_again(store.log, name, kind)
    texts = _named(made, out)
    for path in texts:
        check_free(path, force=force)
    for path, text in texts.items():
        write_asked(path, text, force=force)
    if json_:
        print_json({"sheet": made.kind, "of": made.name, "proof": made.proof, "files": [str(path) for path in texts]})
    else:
        typer.echo("\n".join(str(path) for path in texts))
    return 0


def _kind(*, label: bool, drift: bool, batch: bool) -> Kind | None:
    kinds: dict[Kind, bool] = {"label": label, "drift": drift, "batch": batch}
    wanted = [kind for kind, given in kinds.items() if given]
    if len(wanted) > 1:
        raise UsageError(f"--{wanted[0]} and --{wanted[1]} are two sheets", hint="Ask for one of them.")
    return wanted[0] if wanted else None


def _named(made: Made, out: Path | None) -> dict[Path, str]:
    """Return file → text. A label goes into one file where ``out`` ends in .svg or .pdf, else into both beside each other."""
    if out is None:
        return {Path(f"{made.stem}-{ending}"): text for ending, text in made.texts.items()}
    if len(made.texts) == 1:
        return dict.fromkeys([out], *made.texts.values())
    by_suffix = {f".{ending.rpartition('.')[2]}": text for ending, text in made.texts.items()}
    if out.suffix not in by_suffix:
        raise UsageError(f"{out}: a label is a .svg or a .pdf file", hint=f"Give for instance --out {out.stem}.pdf.")
    return {out: by_suffix[out.suffix]}
