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
            session.remark("device clear")
            session.transport.clear()
            session.write_bare(self.clear_message)
        before: str | None = None
        for _ in range(MOST_ATTEMPTS):
            session.wait_for_silence(limit_s=limits.overall_s)
            answer = self._answer(session, limits)
            wanted = self.stored() or before
            if answer is not None and answer == wanted and not session.wait_for_silence():
                return
            before = answer
            if session.seconds() >= until:
                break
        raise LinkError(
            f"{session.transport.address} does not answer to its identity query any more",
            hint="Switch the analyser off and on, check the cable, and start again: the run goes on where it stopped.",
        )

    def _answer(self, session: Session, limits: Limits) -> str | None:
        """Return what comes to the identity query, or None where that is no identity."""
        query = self.ask()
        session.write_bare(query.data)
        patience = Limits(limits.overall_s, limits.idle_s)
        try:
            return query.read(session.wait_for(query.framer, query.what, patience, SILENCE_S))
        except (ReplyTimeout, ReplyError):
            return None
