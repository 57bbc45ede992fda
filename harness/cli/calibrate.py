"""``tapproof calibrate``: run the standards once; ``prove`` uses the result until it expires or fails its verification.

With ``--characterise``: derive the residuals from verification hook-ups; ``prove`` uses the newest sizes of the bench.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from harness.cli.options import BenchOption, JsonOption, LogOption, PageOption, StepsOption, YesOption
from harness.cli.page_option import check_page

if TYPE_CHECKING:
    from harness.operators.page import PageOperator
    from harness.proving import Records, Wish

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
    page: PageOption = False,
    steps: StepsOption = False,
    log: LogOption = None,
    json_: JsonOption = False,
) -> int:
    """Measure the standards and the bench's loads, solve the calibration, verify and keep it."""
    from harness import wiring
    from harness.cli.output import print_plan
    from harness.proving import Wish

    check_page(None, page=page, steps=steps)
    wish = Wish(unit="", type_=None, bench=bench)
    if steps:
        plan = wiring.characterisation_plan_for(wish, log) if characterise else wiring.calibration_plan_for(wish)
        return print_plan(plan, json_=json_)
    work = _characterise if characterise else _calibrate
    with wiring.open_store(log) as store:
        if not page:
            return work(wish, store, None, yes=yes, json_=json_)
        with wiring.open_page(wish, quiet=json_) as operator:
            return work(wish, store, operator, yes=yes, json_=json_)


def _calibrate(wish: Wish, store: Records, page: PageOperator | None, *, yes: bool, json_: bool) -> int:
    from harness import wiring

    with wiring.open_session(wish, store, yes=yes, quiet=json_, operator=page) as (session, _):
        record = wiring.calibrate(session, store)
    said = f"{record.bench} is calibrated ({record.paths}, {record.analyser}); verification {record.verification_db:.0f} dB"
    _end(page, f"{record.bench} is calibrated", (f"The verification left {record.verification_db:.0f} dB.",))
    _tell([said, f"  kept as {record.id}"], record.model_dump(mode="json"), json_=json_)
    return 0


def _characterise(wish: Wish, store: Records, page: PageOperator | None, *, yes: bool, json_: bool) -> int:
    from harness import wiring
    from harness.characterising import characterise
    from harness.cli.print_characterised import characterised_lines, size_of

    with wiring.open_session(wish, store, yes=yes, quiet=json_, operator=page) as (session, _):
        filed = characterise(session, store)
    found = filed.record
    sizes = tuple(f"{term.term}: {size_of(term, term.size_db)}; {term.verdict}." for term in found.terms)
    _end(page, f"{found.bench} is characterised", sizes)
    lines = ["", *characterised_lines(found), "", f"  files  {filed.folder}"]
    _tell(lines, found.model_dump(mode="json"), json_=json_)
    return 0


def _end(page: PageOperator | None, head: str, lines: tuple[str, ...]) -> None:
    """Say on the page how it has ended, where there is one."""
    from harness.operators.page import End

    if page is not None:
        page.end(End(head, lines))


def _tell(lines: list[str], document: dict[str, Any], *, json_: bool) -> None:
    from harness.cli.output import print_json

    if json_:
        print_json(document)
    else:
        typer.echo("\n".join(lines))
