"""``tapproof demo``: a scenario of our own in a folder, on the simulated bench over a real link."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.options import JsonOption

UNITS = 6


def demo(
    folder: Annotated[Path, typer.Option("--folder", metavar="F", help="Where everything is put.")] = Path("tapproof-demo"),
    json_: JsonOption = False,
) -> int:
    """Prove a small club batch on a simulated bench, recheck two of it eight months later; prints where everything is."""
    from harness import demonstration
    from harness.cli.output import print_json
    from harness.cli.print_batch import report_lines
    from harness.cli.print_diagnosis import short_lines
    from harness.cli.print_drift import drift_lines
    from harness.cli.print_proof import batch_lines

    def say(text: str) -> None:
        if not json_:
            typer.echo(text)

    folder = demonstration.free_folder(folder)
    say(f"Six samplers of a club batch are proved on a simulated bench, spoken to over a real TCP link, in {folder}.")
    say("The simulated hand makes the hook-ups; a real bench would ask for each.\n")
    proofs = []
    for filed in demonstration.prove_batch(folder, UNITS):
        proofs.append(filed.proof)
        say("\n".join([f"  {filed.proof.unit}  {filed.proof.decision}", *short_lines(filed.proof)]))
    say("")
    say("\n".join(batch_lines(proofs)))
    say("")
    say("\n".join(report_lines(demonstration.batch_report(folder))))
    say(
        "\nEight months later two of them are rechecked. The demonstration's clock is put forward by 243 days; so the calibration"
    )
    say("has expired and a new one is made. In the simulated bench one of the two units has changed meanwhile.\n")
    for filed in demonstration.recheck(folder):
        proofs.append(filed.proof)
        say("\n".join([f"  {filed.proof.unit}  {filed.proof.decision}", *drift_lines(filed.proof)[1:], ""]))
    if json_:
        print_json([proof.summary() for proof in proofs])
        return 0
    say("\n".join(demonstration.where_things_are(folder)))
    return 0
