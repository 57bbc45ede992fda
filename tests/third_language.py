"""A third small instrument language, which no dialect file describes: for a bench made by question and answer.

A message ends in CR and is echoed. Replies are lines ended by CRLF, then the prompt "> ". A refusal begins with "no, ". Low and
high end are set one by one, in whole hertz; pairs are separated by a comma.
"""

from __future__ import annotations

from drivers.simulated.bench import SimulatedBench
from harness.records import Grid, Trace

PROMPT = b"> "
TABLES: dict[str, Trace] = {"refl": "s11", "thru": "s21"}


class ThirdLanguage:
    """One instrument that speaks it over a simulated bench: bytes in, bytes out."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench
        self._set = {"from": 1_000_000, "to": 50_000_000, "steps": 51, "times": 1}
        self._grid: Grid | None = None
        self._taken: dict[Trace, object] = {}
        self._rest = b""

    def receive(self, data: bytes) -> bytes:
        *lines, self._rest = (self._rest + data).split(b"\r")
        return b"".join(line + b"\r\n" + self._answer(line.decode("ascii", errors="replace")) for line in lines)

    def hang_up(self) -> None:
        self._rest = b""

    def _answer(self, message: str) -> bytes:
        words = message.split()
        lines = self._do(words) if words else []
        return "".join(f"{line}\r\n" for line in lines).encode("ascii") + PROMPT

    def _do(self, words: list[str]) -> list[str]:
        match words:
            case ["name?"]:
                return ["third analyser, number 3"]
            case [name, value] if name in self._set and value.isdigit():
                return self._change(name, int(value))
            case ["all?"]:
                return [f"{self._set['from']} {self._set['to']} {self._set['steps']} {self._set['times']}"]
            case ["go"]:
                self._grid = self._wanted()
                self._taken = dict(self._bench.raw(self._bench.traces, self._grid))
                return []
            case ["list", "hz"]:
                return [f"{hz:015.3f}" for hz in self._wanted().frequencies()]
            case ["list", table] if table in TABLES and self._grid == self._wanted():
                values = self._taken[TABLES[table]]
                return [f"{value.real:+.10E},{value.imag:+.10E}" for value in values]  # type: ignore[attr-defined]
        return ["no, what is that"]

    def _change(self, name: str, value: int) -> list[str]:
        most = {"from": 2_000_000_000, "to": 2_000_000_000, "steps": 401, "times": 99}[name]
        if not 1 <= value <= most:
            return [f"no, {name} goes to {most}"]
        self._set[name] = value
        return []

    def _wanted(self) -> Grid:
        return Grid(float(self._set["from"]), float(self._set["to"]), self._set["steps"], averages=self._set["times"])
