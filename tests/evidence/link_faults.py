"""Every link fault on every real link, and the table of how each ended.

The cells of the table wait most of their time, so they run side by side. ``python -m tests.evidence.link_faults`` writes the
document; the tests run the same cells without those that take long.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

from tests.link_fault_bench import PATIENCE_S, RECONNECT_S, Outcome, allowed_seconds_of, strike
from tests.link_fault_cases import CASES, KINDS, MARGIN_S, Case

DOCUMENT = "docs/link-faults.md"
SEED = 1
WORKERS = 24
TITLES = {"serial": "serial (pseudo-terminal)", "tcp": "TCP", "hislip": "HiSLIP"}
NEVER = ("WRONG", "HANG", "TRACEBACK", "LOST", "NO HINT", "NOT STRUCK")
LONGEST_SHOWN = 150

HEAD = """# Link faults: what they do, and what protects

Written by `make evidence` ({when}, seed {seed}). Each row is a fault that the simulated instrument makes while a sweep runs over
a real link: {serial}, {tcp}, {hislip}. Before the fault one sweep is taken and the cables are changed, so
that old numbers are not the new ones; what the receivers showed is kept on the instrument's side and compared to every digit.

**{cells} cells, {faults} faults: {right} ended in right numbers at once, {recovered} in right numbers after a recovery that
stands in the transcript, {errors} in one error that names the exchange, what came and what to check. Wrong numbers: {wrong}.
Tracebacks: {tracebacks}. Beyond the stated deadline: {hangs}. Lost: {lost}.** After each fault the next sweep was right: in
{goes_on} cells in the same session, in {set_up} after a new set-up, in {again} after a new start.

Where a deadline has to run out the margin is {margin:g} s here, elsewhere {patience:g} s; the wait for a link that does not come
back is {reconnect:g} s. The struck sweep took {longest:.1f} s at most (allowed: {allowed:.1f} s).

## What protects

- **Before each sweep** the identity and all settings are asked again, and the settings once more after the data. A reply that
  slipped by one place, a reset, another instrument: each shows there.
- **Serial lines carry no checksum**, and a flipped bit can turn one digit into another. Every trace is therefore read until two
  readings in a row agree in every digit (5 readings at most). This cannot be switched off.
- **TCP and HiSLIP carry TCP's checksum**: a flipped bit is no fault of these links. One that is made inside the instrument is
  seen only with `double_reading = true` under `[analyser]` in the bench file, and only where it is not the same in both
  readings; the rows marked "double reading" run with it. Without it such a number is taken as it comes.
- **What comes unasked** after a reply makes that reply doubtful: it may be the answer to the question before. It is an error; a
  reading of a serial line is set aside and taken again.
- **A sweep that repeats the one before** to the last digit, in an eighth of its points in a row and at least 8, is no new
  sweep: it is begun anew once, then refused. The first sweep after a set-up has none before it to be compared with.
- **A link that vanished** is opened again for a stated time. The same identity must answer; where the settings are lost they
  are set again, except on an analyser that corrects itself: its correction went with them, and that is an error.
- A timeout is never retried by itself: the sweep may still be running. The next exchange first finds its place: by the prompt,
  by the identity, or by a device clear.

## Table

"right" is right at once. "right after" names the recovery as it stands in the transcript. A word in italics is the kind of the
error. A dash: the fault cannot happen there.

| fault | {columns} |
| --- | --- | --- | --- |
"""


def cells(*, slow: bool) -> list[tuple[Case, str]]:
    """Return (fault, link) of every cell of the table; without ``slow`` those that take long are left out."""
    return [(case, link) for case in CASES for link in KINDS if case.end(link) != "-" and (slow or not case.slow)]


def run(which: Iterable[tuple[Case, str]], seed: int = SEED, slack_s: float = 0.0) -> list[Outcome]:
    """Let every fault strike on its real link, several at a time, and return the outcomes in order."""
    with ThreadPoolExecutor(WORKERS) as pool:
        return list(pool.map(lambda cell: strike(cell[0], cell[1], real=True, seed=seed, slack_s=slack_s), which))


def document(outcomes: list[Outcome], seed: int, when: str) -> str:
    """Return the document's text."""
    ends = [outcome.end for outcome in outcomes]
    afterwards = [outcome.afterwards for outcome in outcomes]
    never = {name: ends.count(name) for name in NEVER}
    head = HEAD.format(
        when=when,
        seed=seed,
        **TITLES,
        columns=" | ".join(TITLES.values()),
        cells=len(outcomes),
        faults=len({outcome.case.name for outcome in outcomes}),
        right=ends.count("right"),
        recovered=ends.count("recovered"),
        errors=len(ends) - ends.count("right") - ends.count("recovered") - sum(never.values()),
        wrong=never["WRONG"] + afterwards.count("WRONG"),
        tracebacks=never["TRACEBACK"],
        hangs=never["HANG"],
        lost=never["LOST"],
        goes_on=afterwards.count("goes on"),
        set_up=afterwards.count("set up again"),
        again=afterwards.count("started again"),
        margin=MARGIN_S,
        patience=PATIENCE_S,
        reconnect=RECONNECT_S,
        longest=max(outcome.seconds for outcome in outcomes),
        allowed=max(allowed_seconds_of(outcome.link) for outcome in outcomes),
    )
    by_cell = {(outcome.case.name, outcome.link): outcome for outcome in outcomes}
    return head + "".join(_row(case, by_cell) for case in CASES)


def _row(case: Case, by_cell: dict[tuple[str, str], Outcome]) -> str:
    shown = [_shown(by_cell[case.name, link]) if (case.name, link) in by_cell else "–" for link in KINDS]
    double = " (double reading)" if case.double else ""
    return f"| {case.name}{double} | {' | '.join(shown)} |\n"


def _shown(outcome: Outcome) -> str:
    if outcome.end == "right":
        return "right"
    says = re.sub(r"(serial|socket|visa)://\S+?(?=[ ;:.](?:\s|$)|\s|$)", "ADDRESS", outcome.says)
    says = re.sub(r"(finding the place again; )+", "", says).removesuffix("; finding the place again")
    if len(says) > LONGEST_SHOWN:
        says = says[:LONGEST_SHOWN].rstrip() + " …"
    says = says.replace("|", "\\|")
    return f"right after: {says}" if outcome.end == "recovered" else f"*{outcome.end}*: {says}"


def write(root: Path, when: str, seed: int = SEED) -> list[str]:
    """Run every cell and write the document below ``root``; return the cells that did not end as stated."""
    outcomes = run(cells(slow=True), seed)
    path = root / DOCUMENT
    path.parent.mkdir(exist_ok=True)
    path.write_text(document(outcomes, seed, when), encoding="utf-8")
    return faults_of(outcomes)


def faults_of(outcomes: list[Outcome]) -> list[str]:
    """Return the cells that did not end as stated, in words."""
    return [
        f"{outcome.case.name}, {outcome.link}: {outcome.end} ({outcome.case.end(outcome.link, real=outcome.real)} was stated), "
        f"afterwards {outcome.afterwards}; {outcome.says}"
        for outcome in outcomes
        if not outcome.as_stated or outcome.afterwards == "WRONG"
    ]


if __name__ == "__main__":
    problems = write(Path(__file__).resolve().parents[2], date.today().isoformat())
    print("\n".join(problems) or f"{DOCUMENT} is written; every cell ended as stated")
    sys.exit(bool(problems))
