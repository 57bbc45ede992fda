"""The simulated analyser's SCPI language: bytes in, bytes out, no I/O.

A message ends with LF, and so does an answer. Commands after SCPI-1999 and IEEE 488.2; choosing S11, S21, S12, S22 or FREQ in
TRACe:DATA? is this instrument's own, since the standard leaves it open. One INITiate sweeps as often as is averaged.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from drivers.simulated.algebra import Complexes, Floats
from drivers.simulated.bench import SimulatedBench
from drivers.simulated.scpi_syntax import ERRORS, MessageUnit, ScpiError, boolean, choice, header_pattern, number, units
from harness.records import Grid, Trace

LONGEST_MESSAGE = 4096
QUEUE_LENGTH = 32
LOWEST_HZ, HIGHEST_HZ = 1e3, 3e9
MOST_POINTS, MOST_AVERAGES = 100_001, 10_000
RAW_GAIN, RAW_OFFSET = 0.7 - 0.5j, 0.05 + 0.02j
"""What an analyser that corrects itself shows with its correction off: plainly wrong by tracking and directivity."""
_TRACES: dict[str, Trace] = {"S11": "s11", "S21": "s21", "S12": "s12", "S22": "s22"}


@dataclass(frozen=True)
class State:
    """All settings; the defaults are those after *RST."""

    start: float = 1e6
    stop: float = 100e6
    points: int = 201
    spacing: Literal["linear", "log"] = "linear"
    averages: int = 1
    averaging: bool = False
    continuous: bool = False
    real: int = 0
    """0 for ASCII, else the bits of a binary number."""
    swapped: bool = False
    corrected: bool = False

    @property
    def grid(self) -> Grid:
        """The grid that a sweep of these settings takes."""
        return Grid(self.start, self.stop, self.points, self.spacing, self.averages if self.averaging else 1)


class Scpi:
    """One instrument that speaks SCPI over a simulated bench."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench
        self._corrects = bench.bench.correction.by == "analyser"
        self._most_points = bench.bench.analyser.max_points or MOST_POINTS
        self._state = State(corrected=self._corrects)
        self._taken: dict[Trace, Complexes] = {}
        self._errors: deque[int] = deque()
        self._waiting = b""
        self._overrun = False
        commands: dict[str, Callable[[tuple[str, ...]], bytes | None]] = {
            "*IDN?": lambda given: _none(given, self._bench.identity),
            "*OPC?": lambda given: _none(given, "1"),
            "*CLS": self._clear,
            "*RST": self._reset,
            "INITiate[:IMMediate]": self._initiate,
            "TRACe[:DATA]?": self._trace,
            "SYSTem:ERRor[:NEXT]?": self._next_error,
        }
        for header, (apply, answer) in self._settings().items():
            commands[header] = self._setter(apply)
            commands[f"{header}?"] = self._getter(answer)
        self._commands = [(header_pattern(header), command) for header, command in commands.items()]

    def receive(self, data: bytes) -> bytes:
        """Take bytes as they come, in any pieces, and return what the instrument sends in answer (perhaps nothing yet)."""
        out = b""
        *messages, rest = (self._waiting + data).split(b"\n")
        for message in messages:
            out += self._answer(message)
            self._overrun = False
        self._waiting = rest
        if len(rest) > LONGEST_MESSAGE:
            self._waiting, self._overrun = b"", True
        return out

    def hang_up(self) -> None:
        """Forget a message that was begun: the other side has gone."""
        self._waiting, self._overrun = b"", False

    def _answer(self, message: bytes) -> bytes:
        answers: list[bytes] = []
        try:
            if self._overrun or len(message) > LONGEST_MESSAGE:
                raise ScpiError(-363)
            for unit in units(message.decode("latin-1")):
                answer = self._run(unit)
                if answer is not None:
                    answers.append(answer)
        except ScpiError as error:
            self._note(error.code)
        return b";".join(answers) + b"\n" if answers else b""

    def _run(self, unit: MessageUnit) -> bytes | None:
        """Run one unit; an error in its values is noted and the next unit runs, an unknown header ends the message."""
        for pattern, command in self._commands:
            if pattern.match(unit.header):
                try:
                    return command(unit.parameters)
                except ScpiError as error:
                    self._note(error.code)
                    return None
        raise ScpiError(-113)

    def _note(self, code: int) -> None:
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append(code)
        else:
            self._errors[-1] = -350

    def _next_error(self, given: tuple[str, ...]) -> bytes:
        code = self._errors.popleft() if not given and self._errors else 0
        return _none(given, f'{code},"{ERRORS[code]}"')

    def _clear(self, given: tuple[str, ...]) -> None:
        _none(given)
        self._errors.clear()

    def _reset(self, given: tuple[str, ...]) -> None:
        _none(given)
        self._state, self._taken = State(), {}

    # -- settings ------------------------------------------------------------------------------------------------------

    def _settings(self) -> dict[str, tuple[Callable[[tuple[str, ...]], dict[str, object]], Callable[[State], str]]]:
        """Return header → (parameters → fields of the state, state → answer)."""
        return {
            "[SENSe:]FREQuency:STARt": (
                lambda given: {"start": number(_one(given), LOWEST_HZ, HIGHEST_HZ, hertz=True)},
                lambda state: f"{state.start:.12E}",
            ),
            "[SENSe:]FREQuency:STOP": (
                lambda given: {"stop": number(_one(given), LOWEST_HZ, HIGHEST_HZ, hertz=True)},
                lambda state: f"{state.stop:.12E}",
            ),
            "[SENSe:]SWEep:POINts": (
                lambda given: {"points": round(number(_one(given), 2, self._most_points))},
                lambda state: str(state.points),
            ),
            "[SENSe:]SWEep:SPACing": (
                lambda given: {"spacing": "log" if choice(_one(given), ("LINear", "LOGarithmic")) == "LOGarithmic" else "linear"},
                lambda state: "LOG" if state.spacing == "log" else "LIN",
            ),
            "[SENSe:]AVERage:COUNt": (
                lambda given: {"averages": round(number(_one(given), 1, MOST_AVERAGES))},
                lambda state: str(state.averages),
            ),
            "[SENSe:]AVERage[:STATe]": (
                lambda given: {"averaging": boolean(_one(given))},
                lambda state: str(int(state.averaging)),
            ),
            "INITiate:CONTinuous": (
                lambda given: {"continuous": boolean(_one(given))},
                lambda state: str(int(state.continuous)),
            ),
            "[SENSe:]CORRection[:STATe]": (self._correction, lambda state: str(int(state.corrected))),
            "FORMat[:DATA]": (_format, lambda state: f"REAL,{state.real}" if state.real else "ASC,0"),
            "FORMat:BORDer": (
                lambda given: {"swapped": choice(_one(given), ("NORMal", "SWAPped")) == "SWAPped"},
                lambda state: "SWAP" if state.swapped else "NORM",
            ),
        }

    def _correction(self, given: tuple[str, ...]) -> dict[str, object]:
        """Return the field of CORRection:STATe; an analyser that was never calibrated at its panel has nothing to switch on."""
        on = boolean(_one(given))
        if on and not self._corrects:
            raise ScpiError(-221)
        return {"corrected": on}

    def _setter(self, apply: Callable[[tuple[str, ...]], dict[str, object]]) -> Callable[[tuple[str, ...]], None]:
        def run(given: tuple[str, ...]) -> None:
            before = self._state.grid
            self._state = replace(self._state, **apply(given))  # type: ignore[arg-type]  # the table names the fields
            if self._state.grid != before:
                self._taken = {}

        return run

    def _getter(self, answer: Callable[[State], str]) -> Callable[[tuple[str, ...]], bytes]:
        return lambda given: _none(given, answer(self._state))

    # -- sweeping ------------------------------------------------------------------------------------------------------

    def _initiate(self, given: tuple[str, ...]) -> None:
        _none(given)
        if self._state.continuous:
            raise ScpiError(-213)
        self._sweep()

    def _sweep(self) -> None:
        if self._state.start >= self._state.stop:
            raise ScpiError(-221)
        uncorrected = self._corrects and not self._state.corrected
        self._taken = self._bench.raw(self._bench.traces, self._state.grid)
        if uncorrected:
            self._taken = {trace: RAW_GAIN * values + RAW_OFFSET for trace, values in self._taken.items()}

    def _trace(self, given: tuple[str, ...]) -> bytes:
        which = choice(_one(given), (*_TRACES, "FREQuency"))
        if which == "FREQuency":
            return self._values(self._state.grid.frequencies())
        trace = _TRACES[which]
        if trace not in self._bench.traces:
            raise ScpiError(-241)
        if self._state.continuous:
            self._sweep()
        if trace not in self._taken:
            raise ScpiError(-230)
        return self._values(np.ascontiguousarray(self._taken[trace]).view(np.float64))

    def _values(self, values: Floats) -> bytes:
        """Return numbers as text, or as a definite-length block (IEEE 488.2, 8.7.9) of floating-point numbers.

        NORMal puts the most significant byte first, SWAPped the least (SCPI-1999, FORMat:BORDer).
        """
        state = self._state
        if not state.real:
            return ",".join(f"{value:+.12E}" for value in values).encode("ascii")
        kind = np.dtype(f"{'<' if state.swapped else '>'}f{state.real // 8}")
        payload = values.astype(kind).tobytes()
        length = str(len(payload))
        return f"#{len(length)}{length}".encode("ascii") + payload


def _format(given: tuple[str, ...]) -> dict[str, object]:
    """Return the field of FORMat:DATA ASCii[,0 or digits] and REAL[,64 or 32]."""
    if not given:
        raise ScpiError(-109)
    if len(given) > 2:
        raise ScpiError(-108)
    length = round(number(given[1], 0, 65535)) if len(given) == 2 else None
    if choice(given[0], ("ASCii", "REAL")) == "ASCii":
        return {"real": 0}
    bits = 64 if length is None else length
    if bits not in (32, 64):
        raise ScpiError(-224)
    return {"real": bits}


def _one(given: tuple[str, ...]) -> str:
    if not given or not given[0]:
        raise ScpiError(-109)
    if len(given) > 1:
        raise ScpiError(-108)
    return given[0]


def _none(given: tuple[str, ...], answer: str = "") -> bytes:
    if given:
        raise ScpiError(-108)
    return answer.encode("ascii")
