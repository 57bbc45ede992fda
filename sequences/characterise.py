"""The verification hook-ups that characterise a bench: standards made again, then short and load behind a length of cable."""

from __future__ import annotations

from harness.records import ANALYSER_1, ANALYSER_2, Bench, HookUp, Join, Trace
from harness.steps import CheckStandard, Connect, Measure, Plan, Step
from sequences import calibration
from sequences.plans import sweep_seconds

NAME = "characterise"
REPEATS = 5
OFFSET_REPEATS = 2

SHORT = HookUp("char-short", (Join(ANALYSER_1, "short"),))
LOAD = HookUp("char-load", (Join(ANALYSER_1, "load"),))
THRU = HookUp("char-thru", (Join(ANALYSER_1, ANALYSER_2, through="thru"),))
OFFSET_SHORT = HookUp("char-offset-short", (Join(ANALYSER_1, "offset short"),))
OFFSET_LOAD = HookUp("char-offset-load", (Join(ANALYSER_1, "offset load"),))

_CABLE = "Take a good 50 Ω cable, 0.5 to 2 m long, as the offset; it stays the same, and lies still, to the end."
_SAYS = {
    "char-short": ("Connect the short of the calibration to the cable of analyser 1.",),
    "char-load": ("Connect the load of the calibration to the cable of analyser 1.",),
    "char-thru": ("Join the cables of analyser 1 and analyser 2 with the thru.",),
    "char-offset-short": (
        "Connect the near end of the offset to the cable of analyser 1.",
        "Connect the short of the calibration to the far end of the offset.",
    ),
    "char-offset-load": (
        "Connect the near end of the offset to the cable of analyser 1.",
        "Connect the load of the calibration to the far end of the offset.",
    ),
}


def steps(bench: Bench) -> tuple[Step, ...]:
    """Return the steps with a calibration that fits; none on a bench whose analyser corrects itself."""
    if bench.correction.by == "analyser":
        return ()
    one: tuple[Trace, ...] = ("s11",)
    wanted: tuple[tuple[HookUp, str, tuple[Trace, ...], int, int], ...] = (
        (SHORT, "short", one, 1, REPEATS),
        (LOAD, "load", one, 1, REPEATS),
        (OFFSET_SHORT, "offset short", one, 1, OFFSET_REPEATS),
        (OFFSET_LOAD, "offset load", one, 1, OFFSET_REPEATS),
        (THRU, "thru", ("s11", "s21"), 2, REPEATS),
    )
    made: list[Step] = list(calibration.verify_with_load(bench))
    for hookup, standard, traces, ports, count in wanted:
        for repeat in range(1, count + 1):
            step = f"{hookup.name}.{repeat}"
            made.append(Connect(f"{step}.connect", hookup, _says(hookup, repeat)))
            made.append(Measure(f"{step}.sweep", hookup.name, "standard", traces, ports, repeat))
            made.append(CheckStandard(f"{step}.check", standard, hookup.name))
    return tuple(made)


def plan(bench: Bench) -> Plan:
    """Return the plan of ``tapproof calibrate --characterise``, less the calibration that it may need first."""
    return Plan(NAME, steps(bench), sweep_seconds(bench))


def _says(hookup: HookUp, repeat: int) -> tuple[str, ...]:
    if repeat > 1:
        return ("Take the connections apart, then make them again:", *_SAYS[hookup.name])
    return (_CABLE, *_SAYS[hookup.name]) if hookup is OFFSET_SHORT else _SAYS[hookup.name]
