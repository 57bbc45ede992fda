"""The questions in their order. Each group is asked until the instrument has answered as the answers say."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy import complex128
from numpy.typing import NDArray

from harness.bench_making.draft import ENDS, Draft
from harness.bench_making.ports import NONE, Asker, Question, Trial
from harness.bench_making.texts import dialect_text, frequency_text
from harness.errors import FileError, InstrumentError, ReplyError, TapproofError, UsageError
from harness.quantities import parse_quantity, show_frequency
from harness.records import ANALYSER_1, ANALYSER_2, HookUp, Join, Trace

PLAIN_FIELDS = ("low", "high", "points", "averages")
OPEN_LEAST, OPEN_MOST = 0.2, 3.0
"""An open shows a reflection of about 1 before correction; a third of it or three times is still an open. Common practice, no
source."""
LOAD_BELOW = 10 ** (-6 / 20)
THRU_ABOVE = 10 ** (10 / 20)
"""A load must reflect at least 6 dB less than the open, a thru let through at least 10 dB more. Common practice, no source."""
FREE = HookUp("open", ())
LOAD = HookUp("load", (Join(ANALYSER_1, "load"),))
THRU = HookUp("thru", (Join(ANALYSER_1, ANALYSER_2, through="thru"),))


def make_bench(draft: Draft, asker: Asker, trial: Trial) -> Draft:
    """Ask, try, and return the draft when a whole sweep of every trace has come back and been checked. Stopped."""
    maker = _Maker(draft, asker, trial)
    maker.until(maker.place)
    maker.until(maker.framing)
    maker.until(maker.refusals)
    maker.set_up()
    maker.read_back()
    maker.until(maker.sweep)
    while True:
        maker.until(maker.axis)
        maker.until(maker.data)
        try:
            maker.whole()
            return draft
        except (ReplyError, FileError, UsageError) as error:
            maker.told(error)
            asker.tell("The questions about frequencies and data are asked again; Enter keeps an answer.")


class _Maker:
    def __init__(self, draft: Draft, asker: Asker, trial: Trial) -> None:
        self.draft, self.asker, self.trial = draft, asker, trial

    @property
    def text(self) -> str:
        """The dialect of what is answered so far."""
        return dialect_text(self.draft)

    def until(self, group: Callable[[], None]) -> None:
        """Ask a group of questions until the instrument answers as the answers say."""
        while True:
            try:
                group()
                return
            except (InstrumentError, FileError, UsageError) as error:
                self.told(error)

    def told(self, error: TapproofError) -> None:
        """Say what went wrong."""
        self.asker.tell(f"✗ {error.message}")
        if error.hint:
            self.asker.tell(f"  {error.hint}")

    def ask(
        self, key: str, text: str, before: str, help_: str = "", *, choices: tuple[str, ...] = (), optional: bool = False
    ) -> str:
        """Return an answer; ``before``: the default, "" where there is none. "-" gives "" where the question is optional."""
        default = before or (NONE if optional else None)
        while True:
            answer = self.asker.ask(Question(key, text, help_, default, choices, optional))
            if optional and answer == NONE:
                return ""
            if answer and (not choices or answer in choices):
                return answer
            self.asker.tell(f"✗ {answer!r} is no answer here{'; allowed are ' + ', '.join(choices) if choices else ''}")

    # -- the groups -------------------------------------------------------------------------------------------------------

    def place(self) -> None:
        """What stands on the bench."""
        draft = self.draft
        draft.paths = self.ask("paths", "Does it drive one port or both?", draft.paths, choices=("one-path", "two-path"))
        draft.connector = self.ask("connector", "What do the test cables end in?", draft.connector)
        draft.unit_connector = self.ask("unit connector", "What connectors do the units' lines have?", draft.unit_connector)
        if draft.unit_connector != draft.connector:
            says = "One way, such as 60 ps. Without it the adapter is bounded, not taken off."
            draft.adapter_delay = self.ask(
                "adapter delay", "Delay of the adapter between them?", draft.adapter_delay, says, optional=True
            )
            if draft.adapter_delay:
                parse_quantity(draft.adapter_delay, "s", "the delay")
        low = parse_quantity(self.ask("low", "Lowest frequency of the sweeps?", frequency_text(draft.low_hz)), "Hz", "low")
        high = parse_quantity(self.ask("high", "Highest frequency?", frequency_text(draft.high_hz)), "Hz", "high")
        points = self.ask("points", "How many points?", str(draft.points))
        if not 0 < low < high or not (points.isascii() and points.isdigit() and 11 <= int(points[:7]) <= 100_001):
            raise UsageError(
                f"low {show_frequency(low)}, high {show_frequency(high)}, {points} points is no sweep",
                hint="low below high, 11 to 100001 points.",
            )
        draft.low_hz, draft.high_hz, draft.points = low, high, int(points)

    def framing(self) -> None:
        """How lines end, the prompt, who it is."""
        draft = self.draft
        draft.end = self.ask("end", "What ends a message to it?", draft.end, choices=tuple(ENDS))
        says = 'What stands at the start of a line when it is ready. With its blanks, in quotes: "ok: ". None for SCPI.'
        draft.prompt = self.ask("prompt", "Its prompt?", draft.prompt, says, optional=True)
        draft.identify = self.ask("identify", "The question who it is?", draft.identify or ("" if draft.prompt else "*IDN?"))
        draft.echo = "find out"
        draft.identity, echoed = self.trial.identify(self.text)
        draft.echo = "on" if echoed else "off"
        self.asker.tell(f"✓ it says it is {draft.identity!r}{', and echoes what it is sent' if echoed else ''}")

    def refusals(self) -> None:
        """How it says no."""
        draft = self.draft
        if draft.prompted:
            draft.refusal = self.ask("refusal", "How does a reply begin that refuses a message?", draft.refusal, optional=True)
            if draft.refusal:
                self.asker.tell(f"✓ refused: {self.trial.refuses(self.text)}")
            return
        draft.errors = self.ask("errors", "The query for its error queue?", draft.errors or "SYSTem:ERRor?", optional=True)
        if draft.errors:
            self.trial.errors(self.text)
            self.asker.tell("✓ the error queue answers")

    def set_up(self) -> None:
        """Messages that set range, points and averages, one after the other."""
        self.asker.tell("Messages that set it up, one at a time. {low} {high} (hertz), {points}, {averages} stand for numbers;")
        self.asker.tell("{low:.0f} writes whole hertz, {low:.3f} three digits after the point. Enter when there are no more.")
        draft = self.draft
        while True:
            missing = [name for name in PLAIN_FIELDS[:3] if not any(f"{{{name}" in message for message in draft.set_up)]
            message = self.ask("set-up", f"Set-up message {len(draft.set_up) + 1}?", "", optional=True)
            if not message and not missing:
                return
            if not message:
                self.asker.tell(f"✗ nothing sets {', '.join(missing)} yet")
                continue
            draft.set_up.append(message)
            try:
                self.asker.tell(f"✓ {self.trial.say(self.text, len(draft.set_up) - 1, draft.trial_grid)!r} is taken")
            except (InstrumentError, FileError, UsageError) as error:
                draft.set_up.pop()
                self.told(error)

    def read_back(self) -> None:
        """Queries for what is set."""
        self.asker.tell("Queries for what is set, until low, high, points and averages have come back.")
        draft = self.draft
        while missing := [name for name in PLAIN_FIELDS if name not in draft.given]:
            query = self.ask("read-back", f"A query for {' or '.join(missing)}?", "")
            names = self.ask("gives", "What does it answer, in order?", missing[0], f"Words of: {' '.join(PLAIN_FIELDS)}.")
            gives = tuple(names.replace(",", " ").split())
            if not gives or not set(gives) <= set(missing):
                self.asker.tell(f"✗ {names!r}: only {', '.join(missing)} are missing")
                continue
            draft.read_back.append((query, gives))
            try:
                self.asker.tell(f"✓ {self.trial.read_back(self.text, len(draft.read_back) - 1, draft.trial_grid)!r}")
            except (InstrumentError, FileError, UsageError) as error:
                draft.read_back.pop()
                self.told(error)

    def sweep(self) -> None:
        """What starts a sweep, and what tells its end."""
        draft = self.draft
        draft.trigger = self.ask("trigger", "What starts one sweep?", draft.trigger)
        if draft.prompted:
            says = "Only where the prompt comes back before the sweep is done."
            draft.done = self.ask("done", "A query that answers when it is done?", draft.done, says, optional=True)
        else:
            draft.done = self.ask("done", "A query that answers when it is done?", draft.done or "*OPC?")
        if draft.done:
            draft.done_says = self.ask("done says", "What does it answer then?", draft.done_says)
        self.asker.tell(f"✓ swept in {self.trial.sweep(self.text, draft.trial_grid):.2f} s")

    def axis(self) -> None:
        """The frequencies."""
        draft, grid = self.draft, self.draft.trial_grid
        draft.axis = self.ask("axis", "The query for the frequencies of the points?", draft.axis)
        draft.axis_form = self._form("axis form", "How do they come?", draft.axis_form)
        if draft.axis_form == "lines":
            says = "As C prints it: %018.3f, %.6e; %g for any number."
            draft.axis_line = self.ask("axis line", "The form of one line?", draft.axis_line, says)
        if draft.axis_form.startswith("real"):
            draft.order = self.ask("order", "Which byte comes first?", draft.order, choices=("big", "little"))
        self.asker.tell(f"✓ {self.trial.axis(self.text, grid)}")

    def data(self) -> None:
        """The traces."""
        draft, grid = self.draft, self.draft.trial_grid
        draft.form = self._form("form", "How do complex traces come?", draft.form)
        if draft.form == "lines":
            says = "Real and imaginary part, as C prints them: %+.12e %+.12e; %g,%g for any numbers."
            draft.line = self.ask("line", "The form of one line?", draft.line, says)
        if draft.form.startswith("real"):
            draft.order = self.ask("order", "Which byte comes first?", draft.order, choices=("big", "little"))
        for trace in draft.wanted_traces:
            draft.traces[trace] = self.ask(trace, f"The query for {trace.upper()}?", draft.traces.get(trace, ""))
            if not draft.prompted:
                says = "Sent before the query; none where the query says it all."
                before = draft.select.get(trace, "")
                draft.select[trace] = self.ask(
                    f"{trace} select", f"A message that chooses {trace.upper()}?", before, says, optional=True
                )
        self.trial.sweep(self.text, grid)
        for trace in draft.wanted_traces:
            values = self.trial.trace(self.text, trace, grid)
            self.asker.tell(f"✓ {trace.upper()}: {values.size} points, the largest {float(np.max(np.abs(values))):.3g}")

    def _form(self, key: str, text: str, before: str) -> str:
        forms = ("lines", "ascii") if self.draft.prompted else ("ascii", "real32", "real64", "lines")
        says = "lines: one line a point; ascii: one line, commas between; real32, real64: a block of numbers."
        return self.ask(key, text, before if before in forms else forms[0], says, choices=forms)

    def whole(self) -> None:
        """Sweep an open, a load and a thru on the bench's grid, as a proof does it. ReplyError where one is not plausible."""
        free = self._taken(FREE, "Take everything off analyser 1 and analyser 2: leave both cables open.")
        check_open(free)
        load = self._taken(LOAD, "Screw a 50 ohm load onto analyser 1; leave analyser 2 open.")
        check_load(free, load)
        check_thru(free, self._taken(THRU, "Screw the cables of analyser 1 and analyser 2 together (the thru)."))
        self.asker.tell("✓ open, load and thru look as they should")

    def _taken(self, hookup: HookUp, says: str) -> dict[Trace, NDArray[complex128]]:
        draft = self.draft
        self.asker.connect(hookup, (says,))
        found, seconds = self.trial.whole(self.text, draft.grid, draft.wanted_traces)
        ways = 2 if draft.paths == "two-path" else 1
        draft.point_time_s = seconds / draft.points / ways
        shown = ", ".join(f"{trace.upper()} {middle(values):.3g}" for trace, values in found.items())
        self.asker.tell(f"✓ {hookup.name}: a whole sweep in {seconds:.2f} s; in the middle {shown}")
        return found


def middle(values: NDArray[complex128]) -> float:
    """Return the median magnitude, linear."""
    return float(np.median(np.abs(values)))


def check_open(free: dict[Trace, NDArray[complex128]]) -> None:
    """ReplyError where what an open end reflects is no total reflection, or is let through more than it is reflected."""
    level = middle(free["s11"])
    if not OPEN_LEAST <= level <= OPEN_MOST:
        raise _implausible(f"S11 of an open is {level:.3g}", f"{OPEN_LEAST:g} to {OPEN_MOST:g}")
    if middle(free["s21"]) >= level:
        raise _implausible(f"S21 between open ends is {middle(free['s21']):.3g}", f"less than S11, {level:.3g}")


def check_load(free: dict[Trace, NDArray[complex128]], load: dict[Trace, NDArray[complex128]]) -> None:
    """ReplyError where a load reflects about as much as the open."""
    limit = middle(free["s11"]) * LOAD_BELOW
    if not middle(load["s11"]) <= limit:
        raise _implausible(f"S11 of a load is {middle(load['s11']):.3g}", f"at most {limit:.3g}, half of what the open reflects")


def check_thru(free: dict[Trace, NDArray[complex128]], thru: dict[Trace, NDArray[complex128]]) -> None:
    """ReplyError where a thru lets through about as little as open ends."""
    limit = middle(free["s21"]) * THRU_ABOVE
    level = middle(thru["s21"])
    if not max(limit, 0.05) <= level <= OPEN_MOST:
        raise _implausible(f"S21 of a thru is {level:.3g}", f"{max(limit, 0.05):.3g} to {OPEN_MOST:g}")


def _implausible(came: str, allowed: str) -> ReplyError:
    return ReplyError(
        f"{came} (linear, the median over the sweep); plausible is {allowed}",
        hint="Are the cables as they were asked for? Are form, order and the queries for S11 and S21 those of the manual?",
    )
