"""A thread beside the program's own, for calls of a library that may not come back in time."""

from __future__ import annotations

import queue
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Generic, TypeVar

T = TypeVar("T")


class Job(Generic[T]):
    """One call that was handed over. ``wait`` tells whether it has ended; ``result`` gives what came or raises what it raised."""

    def __init__(self, call: Callable[[], T]) -> None:
        self._call = call
        self._ended = threading.Event()
        self._value: list[T] = []
        self._error: BaseException | None = None

    def run(self) -> None:
        """Make the call; whatever it raises is kept for ``result``."""
        try:
            self._value.append(self._call())
        except BaseException as error:
            self._error = error
        finally:
            self._ended.set()

    def wait(self, seconds: float) -> bool:
        """Wait at most ``seconds`` and tell whether the call has ended."""
        return self._ended.wait(max(seconds, 0.0))

    def result(self) -> T:
        """Return what the call returned, or raise what it raised; only after ``wait`` has said True."""
        if self._error is not None:
            raise self._error
        return self._value[0]


class SideThread:
    """Makes calls one after the other. The thread is a daemon: a call that never ends does not keep the program alive."""

    def __init__(self, name: str) -> None:
        self._jobs: queue.SimpleQueue[Job[object] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._loop, name=name, daemon=True)
        self._thread.start()

    def begin(self, call: Callable[[], T]) -> Job[T]:
        """Hand over a call and return its job at once."""
        job = Job(call)
        self._jobs.put(job)  # type: ignore[arg-type]  # what a job returns is between it and who waits for it
        return job

    def frames(self) -> Iterator[FrameType]:
        """Yield the frames of the call that is being made, the innermost first; none where the thread has ended."""
        frame = sys._current_frames().get(self._thread.ident or 0)
        while frame is not None:
            yield frame
            frame = frame.f_back

    def end(self) -> None:
        """Let the thread end after what it has been given."""
        self._jobs.put(None)

    def _loop(self) -> None:
        while (job := self._jobs.get()) is not None:
            job.run()
