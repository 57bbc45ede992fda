"""States of the bench page that several tests look at: one for each thing that it can show."""

from __future__ import annotations

import numpy as np

from harness.operators.page_state import End, State, answered, asked, begun, ended, noted, told
from harness.ports import Event, Request
from harness.records import HookUp, Sweep, parse_bench, parse_type
from harness.sheets.bench_page import Row
from harness.sheets.hookup_drawing import UnitEnds
from harness.steps import Connect, Measure
from sequences import hookups
from sequences.plans import proof_plan
from tests.texts import BENCH_TEXT, TYPE_TEXT

BENCH = parse_bench(BENCH_TEXT, "bench")
TYPE = parse_type(TYPE_TEXT, "type")
PLAN = proof_plan("line-sampler", TYPE, BENCH, calibrated=True)
ENDS = UnitEnds({"line in": "UHF", "line out": "UHF", "sample": "BNC"}, {"line in": "BNC to UHF", "line out": "BNC to UHF"})
HOSTILE = '</title><script>alert("x")</script>&<!-- ]]> {{ 7*7 }} \x00\x1b[31m'
HZ = np.geomspace(1e6, 1e8, 201)


def coupled_sweep() -> Sweep:
    """A sweep of 1 MHz to 100 MHz whose S21 is −30 dB at every frequency and whose S11 rises from −40 dB to −20 dB."""
    rising = 10 ** (np.linspace(-40, -20, HZ.size) / 20)
    return Sweep("coupled", HZ, {"s11": rising * np.exp(0.3j), "s21": np.full(HZ.size, 10**-1.5 + 0j)}, 2)


def connect(hookup: HookUp = hookups.LINE, before: HookUp | None = hookups.COUPLED) -> Request:
    """The question for a hook-up."""
    lines = hookups.says(hookup, BENCH, TYPE, again=hookup == before)
    title = f"Hook-up 3 of 5: {hookup.name}"
    return Request("connect", title, lines, hookup, before, number=3, total=5, seconds_left=240.0)


DOUBT = Request(
    "doubt",
    "This does not look like the hook-up line",
    ("the sweep fits a load on the wrong connector 40 times better", "Look at load A and sweep again."),
    hookup=hookups.LINE,
    answers=("repeat", "override", "stop"),
)
RESUME = Request(
    "resume", "A run of CL-0007 was interrupted", ("Its finished sweeps are kept.",), answers=("done", "repeat", "stop")
)
OFFER = Request(
    "offer",
    "One more hook-up: sample",
    ("It looks like turns or wrong core. What would decide: the sample-port sweep (sample).", "It takes about 0.7 minutes."),
    seconds_left=41.0,
    answers=("done", "skip", "stop"),
)


def states(unit: str = "CL-0007", words: str = "") -> dict[str, State]:
    """One state of each sort. ``words`` stand wherever text from outside can come in."""
    measure = next(step for step in PLAN.steps if isinstance(step, Measure))
    first = begun(State(unit=unit), PLAN)
    swept = told(first, Event("swept", "coupled", sweep=coupled_sweep()))
    question = asked(noted(swept, f"the thru measured again differs from the calibration by −77.2 dB {words}"), connect())
    again = connect(hookups.LINE, hookups.LINE)
    sweeping = told(
        answered(question, "done", "page"), Event("progress", "line", measure, fraction=0.4, seconds=8.0, seconds_left=70)
    )
    doubt = Request(**{**vars(DOUBT), "lines": (*DOUBT.lines, words) if words else DOUBT.lines})
    rows = (
        Row("coupling (nominal)", "30.068 dB", "29.982 to 30.168 dB", "conforms"),
        Row("insertion loss, worst", "0.110 dB", "at most 0.174 dB", "does not conform"),
        Row("SWR, worst", "1.041", "at most 1.054", "undecided"),
    )
    return {
        "starting": State(unit=unit),
        "connect": question,
        "again": asked(swept, again),
        "standard": asked(first, connect(hookups.standard("open"), hookups.standard("short"))),
        "thru": asked(first, connect(hookups.THRU, hookups.ISOLATION)),
        "first": asked(first, connect(hookups.COUPLED, None)),
        "far": asked(first, connect(hookups.COUPLED_FAR, hookups.LINE)),
        "sample": asked(first, connect(hookups.SAMPLE_PORT, hookups.COUPLED_FAR)),
        "sweeping": sweeping,
        "doubt": asked(sweeping, doubt),
        "resume": asked(State(unit=unit), RESUME),
        "offer": asked(sweeping, OFFER),
        "result": ended(sweeping, End(f"{unit} does not conform to hf30 {words}", (f"The line is too lossy. {words}",), rows)),
        "trouble": ended(question, End("The run has failed", (f"no reply within 7 s {words}", "Look at the cable."))),
    }


def connects() -> list[tuple[Connect, HookUp | None]]:
    """Every hook-up of every sequence on both kinds of analyser, with the one before it."""
    found: list[tuple[Connect, HookUp | None]] = []
    for paths in ("one-path", "two-path"):
        bench = parse_bench(BENCH_TEXT.replace("one-path", paths), "bench")
        for sequence in ("line-sampler", "line-sampler-quick"):
            before = None
            for step in proof_plan(sequence, TYPE, bench, calibrated=False).steps:
                if isinstance(step, Connect):
                    found.append((step, before))
                    before = step.hookup
    return found
