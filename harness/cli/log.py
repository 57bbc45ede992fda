"""``tapproof log``: check every stored file, move records between benches, set a proof aside."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.options import JsonOption, LogOption

if TYPE_CHECKING:
    from harness.log.importing import Imported

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Check the log, move records, set a proof aside.")
TROUBLE = 3
"""Exit status when something is wrong with the records."""


@app.command("check", short_help="Read every stored file and say what is wrong.")
def check(log: LogOption = None, json_: JsonOption = False) -> int:
    """Enter proofs that the log does not know yet, then read every stored file and say what is wrong."""
    from harness import wiring
    from harness.cli.output import print_json, printable
    from harness.log import examine

    with wiring.open_store(log) as store:
        found = examine(store.root, store.log)
        total = store.log.count()
    if json_:
        told = {"entered": found.entered, "wrong": found.wrong, "elsewhere": found.elsewhere, "tidied": found.tidied}
        print_json({"proofs": total, **told})
        return TROUBLE if found.wrong else 0
    lines = [f"entered: proof {identity}" for identity in found.entered]
    if found.elsewhere:
        lines.append(f"{found.elsewhere} of {total} proofs are kept by other benches of this log: check them there")
    lines += [f"tidied: {sentence}" for sentence in found.tidied]
    lines += [f"wrong: {sentence}" for sentence in found.wrong]
    here = total - found.elsewhere
    lines.append(f"{here} proof{'s' if here != 1 else ''} read, {len(found.wrong) or 'nothing'} wrong")
    typer.echo("\n".join(printable(line) for line in lines))
    return TROUBLE if found.wrong else 0


@app.command("export", short_help="Write proofs into one archive.")
def export(
    archive: Annotated[Path, typer.Argument(metavar="ARCHIVE", help="The file to write, for example spring.zip.")],
    unit: Annotated[list[str] | None, typer.Option("--unit", metavar="UNIT", help="Only this unit; may be repeated.")] = None,
    batch: Annotated[str | None, typer.Option("--batch", metavar="NAME", help="Only this batch.")] = None,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Write proofs with all their files into one archive that another bench's log can import."""
    from harness import wiring
    from harness.cli.output import print_json, printable
    from harness.log.exporting import chosen
    from harness.log.exporting import export as write

    with wiring.open_store(log) as store:
        ids = chosen(store.log, unit or [], batch)
        made = store.clock.now().isoformat()
        done = write(store.log, store.root, archive, ids, program=wiring.program_name(), made=made)
    if json_:
        print_json({"archive": str(archive), "proofs": done.proofs, "withdrawals": done.withdrawals, "left_out": done.left_out})
    else:
        lines = [*done.left_out, f"{done.proofs} proof{'s' if done.proofs != 1 else ''} in {archive}"]
        typer.echo("\n".join(printable(line) for line in lines))
    return TROUBLE if done.left_out else 0


@app.command("import", short_help="Merge an archive into the log.")
def import_(
    archive: Annotated[Path, typer.Argument(metavar="ARCHIVE", help="A file that 'tapproof log export' wrote.")],
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Merge an archive into the log. Nothing that is there is written over; what differs is told."""
    from harness import wiring
    from harness.cli.output import print_json, printable
    from harness.log.importing import import_archive

    with wiring.open_store(log) as store:
        done = import_archive(store.log, store.root, archive)
    if json_:
        print_json(vars(done))
    else:
        typer.echo("\n".join(printable(line) for line in _imported(done)))
    return TROUBLE if done.conflicts else 0


def _imported(done: Imported) -> list[str]:
    counts = [(done.new, "new"), (done.known, "there already"), (done.restored, "put back"), (done.withdrawn, "now withdrawn")]
    told = ", ".join(f"{len(ids)} {words}" for ids, words in counts if ids or words == "new")
    conflicts = [f"conflict: {sentence}; what is here stays" for sentence in done.conflicts]
    readings = [f"readings: {len(done.readings)} new"] if done.readings else []
    return [*conflicts, *done.references, *readings, f"proofs: {told}"]


@app.command("withdraw", short_help="Set a proof aside with a reason.")
def withdraw(
    proof: Annotated[str, typer.Argument(metavar="PROOF", help="The proof's id, as 'tapproof show UNIT' tells it.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why it does not count.")],
    who: Annotated[str, typer.Option("--who", metavar="NAME", help="Who withdraws it.")] = "",
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Set a proof aside with a reason. Its files stay; it counts no more in lists and statistics."""
    from harness import wiring
    from harness.cli.output import print_json, printable
    from harness.log.withdrawing import withdraw_proof

    with wiring.open_store(log) as store:
        when, program = store.clock.now().isoformat(), wiring.program_name()
        record = withdraw_proof(store.root, store.log, proof, reason, when=when, who=who, program=program)
    if json_:
        print_json(record.model_dump(mode="json"))
    else:
        typer.echo(printable(f"proof {record.proof} of {record.unit} is withdrawn: {record.reason}"))
    return 0
