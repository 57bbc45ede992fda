"""``tapproof show``: one unit with its proofs, newest first."""

from __future__ import annotations

from typing import Annotated

import typer

from harness.cli.options import JsonOption, LogOption


def show(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="The unit's serial.")],
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Show one unit's history."""
    from harness import wiring
    from harness.cli.output import print_json
    from harness.cli.print_proof import proof_lines

    with wiring.open_store(log) as store:
        proofs = wiring.unit_history(store, unit)
    if json_:
        print_json({"unit": unit, "proofs": [proof.summary() for proof in proofs]})
        return 0
    typer.echo(f"{unit}: {len(proofs)} proof{'s' if len(proofs) != 1 else ''}, newest first")
    for proof in proofs:
        when = proof.circumstances.when[:16].replace("T", " ")
        typer.echo("\n".join(["", f"{when}  proof {proof.proof}  {proof.circumstances.sequence}", *proof_lines(proof)]))
    return 0
