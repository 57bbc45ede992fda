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


class AlwaysDone:
    """Answers every movement prompt with "done" (``--yes``, simulated benches only) and goes on with interrupted runs.

    A doubt is never answered for the operator: it raises CalibrationError with what was seen. What happens is shown through
    ``show``.
    """

    def __init__(self, show: Operator) -> None:
        self._show = show

    def begin(self, plan: Plan) -> None:
        """Show the plan."""
        self._show.begin(plan)

    def ask(self, request: Request) -> Answer:
        """Return "done"; CalibrationError for a doubt."""
        if request.kind == "doubt":
            raise CalibrationError(
                f"{request.title}: {request.lines[0]}",
                hint=" ".join((*request.lines[1:], "Run without --yes to repeat the step or to override.")),
            )
        return "done"

    def tell(self, event: Event) -> None:
        """Show the event."""
        self._show.tell(event)
