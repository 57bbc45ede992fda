"""``tapproof calibrate``: run the standards once; ``prove`` uses the result until it expires or fails its verification.

With ``--characterise``: derive the residuals from verification hook-ups; ``prove`` uses the newest sizes of the bench.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from harness.cli.options import BenchOption, JsonOption, LogOption, StepsOption, YesOption

if TYPE_CHECKING:
    from harness.proving import Wish

CharacteriseOption = Annotated[
    bool,
    typer.Option(
        "--characterise", help="Derive the residual errors from verification hook-ups (a good cable of 0.5 to 2 m is needed)."
    ),
]


def calibrate(
    bench: BenchOption,
    characterise: CharacteriseOption = False,
    yes: YesOption = False,
    steps: StepsOption = False,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Measure the standards and the bench's loads, solve the calibration, verify and keep it."""
    from harness import wiring
    from harness.cli.output import print_json, print_plan
    from harness.proving import Wish

    wish = Wish(unit="", type_=None, bench=bench)
    if steps:
        plan = wiring.characterisation_plan_for(wish, log) if characterise else wiring.calibration_plan_for(wish)
        return print_plan(plan, json_=json_)
    if characterise:
        return _characterise(wish, log, yes=yes, json_=json_)
    with wiring.open_store(log) as store, wiring.open_session(wish, store, yes=yes, quiet=json_) as (session, _):
        record = wiring.calibrate(session, store)
    if json_:
        print_json(record.model_dump(mode="json"))
    else:
        typer.echo(
            f"{record.bench} is calibrated ({record.paths}, {record.analyser}); verification {record.verification_db:.0f} dB"
        )
        typer.echo(f"  kept as {record.id}")
    return 0


def _characterise(wish: Wish, log: str | None, *, yes: bool, json_: bool) -> int:
    from harness import wiring
    from harness.characterising import characterise
    from harness.cli.output import print_json
    from harness.cli.print_characterised import characterised_lines

    with wiring.open_store(log) as store, wiring.open_session(wish, store, yes=yes, quiet=json_) as (session, _):
        filed = characterise(session, store)
    if json_:
        print_json(filed.record.model_dump(mode="json"))
    else:
        typer.echo("\n".join(["", *characterised_lines(filed.record), "", f"  files  {filed.folder}"]))
    return 0
