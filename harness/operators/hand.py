"""The operator of a simulated bench: an answer from somewhere, and a hand that moves the simulated cables."""

from __future__ import annotations

from collections.abc import Callable

from harness.errors import CalibrationError
from harness.ports import Answer, Event, Operator, Request
from harness.records import HookUp
from harness.steps import Plan


class SimulatedHand:
    """Passes everything on to ``inner``, and makes each hook-up on the simulated bench when it is said to be done."""

    def __init__(self, inner: Operator, connect: Callable[[HookUp], None]) -> None:
        self._inner = inner
        self._connect = connect

    def begin(self, plan: Plan) -> None:
        """Show the plan."""
        self._inner.begin(plan)

    def ask(self, request: Request) -> Answer:
        """Ask, and move the cables where the answer says that the hook-up is made."""
        answer = self._inner.ask(request)
        if request.kind == "connect" and answer == "done" and request.hookup is not None:
            self._connect(request.hookup)
        return answer

    def tell(self, event: Event) -> None:
        """Show the event."""
        self._inner.tell(event)


CHEAP_SECONDS = 120.0
"""What one more hook-up may take that ``--yes`` agrees to."""


class AlwaysDone:
    """Answers every movement prompt with "done" (``--yes``, simulated benches only) and goes on with interrupted runs.

    A doubt about a hook-up of the unit is answered as a careful person would: make it again, and where it looks the same again,
    override, for then it is the unit. Both are shown, and the override is logged. A doubt about a standard or a verification is
    never answered for the operator: it raises CalibrationError with what was seen. One more hook-up is taken where it takes at
    most CHEAP_SECONDS. What happens is shown through ``show``.
    """

    def __init__(self, show: Operator) -> None:
        self._show = show
        self._repeated: HookUp | None = None

    def begin(self, plan: Plan) -> None:
        """Show the plan."""
        self._repeated = None
        self._show.begin(plan)

    def ask(self, request: Request) -> Answer:
        """Return "done", or what is said above; CalibrationError for a doubt about a standard or a verification."""
        if request.kind == "offer":
            return self._say(request, "done" if (request.seconds_left or 0.0) <= CHEAP_SECONDS else "skip")
        if request.kind != "doubt":
            return "done"
        if request.about != "hook-up":
            raise CalibrationError(
                f"{request.title}: {request.lines[0]}",
                hint=" ".join((*request.lines[1:], "Run without --yes to repeat the step or to override.")),
            )
        again = self._repeated is None or self._repeated != request.hookup
        self._repeated = request.hookup if again else None
        return self._say(request, "repeat" if again else "override")

    def _say(self, request: Request, answer: Answer) -> Answer:
        said = {"repeat": "made again", "override": "it looks the same again: overridden", "done": "taken", "skip": "left out"}
        for line in (request.title, *request.lines[:1]):
            self._show.tell(Event("note", line))
        self._show.tell(Event("note", f"→ {said[answer]} (--yes)"))
        return answer

    def tell(self, event: Event) -> None:
        """Show the event."""
        self._show.tell(event)
