"""``tapproof show``: one unit with its proofs, newest first."""

from __future__ import annotations

from typing import Annotated

import typer

from harness.cli.options import JsonOption, LogOption


def show(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="The unit's serial.")],
    reference: Annotated[
        str | None, typer.Option("--reference", metavar="PROOF", help="Compare rechecks with this proof from now on.")
    ] = None,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Show one unit's history, withdrawn proofs too; choose its reference proof."""
    from harness import wiring
    from harness.cli.output import print_json, printable
    from harness.cli.print_drift import drift_lines
    from harness.cli.print_proof import proof_lines
    from harness.log.choosing import choose_reference

    with wiring.open_store(log) as store:
        entries = wiring.unit_entries(store, unit)
        if reference is not None:
            now = store.clock.now().isoformat()
            choose_reference(store.root, store.log, unit, reference, when=now, program=wiring.program_name())
        chosen = store.log.reference(unit)
    proofs = [(entry, entry.record()) for entry in entries]
    if json_:
        told = [
            proof.summary() | ({"withdrawn": entry.withdrawn, "withdrawn_when": entry.withdrawn_when} if entry.withdrawn else {})
            for entry, proof in proofs
        ]
        print_json({"unit": unit, "reference": chosen, "proofs": told})
        return 0
    typer.echo(f"{unit}: {len(proofs)} proof{'s' if len(proofs) != 1 else ''}, newest first")
    for entry, proof in proofs:
        when = proof.circumstances.when[:16].replace("T", " ")
        typer.echo("\n".join(["", f"{when}  proof {proof.proof}  {proof.circumstances.sequence}"]))
        if entry.proof == chosen:
            typer.echo("chosen as the reference for rechecks")
        if entry.withdrawn is not None:
            typer.echo(printable(f"withdrawn {(entry.withdrawn_when or '')[:10]}: {entry.withdrawn}"))
        typer.echo("\n".join([*proof_lines(proof), *drift_lines(proof)]))
    return 0
