"""Recovery: how a session finds its place again after a timeout or a reply that could not be read.

Emptying the input buffer alone removes what has come, not what is coming: each way here ends with a proof that nothing is
outstanding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.framing import PromptAtLast, Query
from drivers.transport import DRAIN_LIMIT, SILENCE_S, Limits, Session
from harness.errors import LinkError, ReplyError, ReplyTimeout

MOST_ATTEMPTS = 8
ANOTHER = 3
"""How often another identity must come, each after a silence, to be one, and no late reply."""


def another(before: str | None, now: str | None) -> LinkError:
    """Return the error of an instrument that is not the one that was found first."""
    return LinkError(
        f"another instrument answers: it was {before!r}, it is now {now!r}",
        hint="Start again with the analyser that the run began with.",
    )


@dataclass
class PromptRecovery:
    """For instruments with a prompt: drain to silence, send a bare line end, wait for the prompt followed by silence."""

    prompt: bytes
    end: bytes
    limits: Callable[[], Limits]

    def __call__(self, session: Session) -> None:
        """Raises ReplyTimeout where no prompt comes."""
        limits = self.limits()
        session.wait_for_silence(limit_s=limits.overall_s)
        session.write_bare(self.end)
        framer = PromptAtLast(self.prompt, DRAIN_LIMIT)
        session.wait_for(framer, "a bare line end (the prompt was awaited)", limits, SILENCE_S)


@dataclass
class IdentityRecovery:
    """For SCPI on a stream: drain, ask the identity until it is the one stored at connection and nothing follows; bounded.

    Where none is stored yet, the same answer twice in a row will do. ``clear_first`` for links with a device clear: that, then
    ``clear_message`` (``*CLS``), before the identity is asked.
    """

    ask: Callable[[], Query[str]]
    stored: Callable[[], str | None]
    limits: Callable[[], Limits]
    clear_first: bool = False
    clear_message: bytes = b"*CLS\n"

    def __call__(self, session: Session) -> None:
        """Raises LinkError where the instrument does not answer to its identity query any more."""
        limits = self.limits()
        until = session.seconds() + limits.overall_s
        if self.clear_first:
            self._clear(session, limits)
        before: str | None = None
        alike = 0
        for _ in range(MOST_ATTEMPTS):
            session.wait_for_silence(limit_s=limits.overall_s)
            answer = self._answer(session, limits)
            wanted = self.stored() or before
            if answer is not None and answer == wanted and not session.wait_for_silence():
                return
            alike = alike + 1 if answer is not None and answer == before else 1
            if alike >= ANOTHER:
                raise another(self.stored(), answer)
            before = answer
            if session.seconds() >= until:
                break
        error = LinkError(
            f"{session.transport.address} does not answer to its identity query any more",
            hint="Switch the analyser off and on, check the cable, and start again: the run goes on where it stopped.",
        )
        session.lost(error)
        raise error

    def _clear(self, session: Session, limits: Limits) -> None:
        """Send a device clear in a silence, so that what was still coming stands in the transcript."""
        session.wait_for_silence(limit_s=limits.overall_s)
        session.remark("device clear")
        try:
            session.transport.clear()
        except LinkError as error:
            session.lost(error)
            raise
        session.write_bare(self.clear_message)

    def _answer(self, session: Session, limits: Limits) -> str | None:
        """Return what comes to the identity query, or None where that is no identity."""
        query = self.ask()
        session.write_bare(query.data)
        patience = Limits(limits.overall_s, limits.idle_s)
        try:
            return query.read(session.wait_for(query.framer, query.what, patience, SILENCE_S))
        except (ReplyTimeout, ReplyError):
            return None
