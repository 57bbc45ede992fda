"""``tapproof calibrate``: run the standards once; ``prove`` uses the result until it expires or fails its verification."""

from __future__ import annotations

import typer

from harness.cli.options import BenchOption, JsonOption, LogOption, StepsOption, YesOption


def calibrate(
    bench: BenchOption, yes: YesOption = False, steps: StepsOption = False, log: LogOption = None, json_: JsonOption = False
) -> int:
    """Measure the standards and the bench's loads, solve the calibration, verify and keep it."""
    from harness import wiring
    from harness.cli.output import print_json, print_plan
    from harness.proving import Wish

    wish = Wish(unit="", type_=None, bench=bench)
    if steps:
        return print_plan(wiring.calibration_plan_for(wish), json_=json_)
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
