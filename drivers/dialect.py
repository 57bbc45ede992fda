"""The dialect: what is said to an analyser as exact bytes, and how its replies are read. Bytes only, no I/O.

A :class:`Dialect` is made from the text of a dialect file. Its methods return queries (bytes out, framer and reader for what
comes back) for a :class:`drivers.transport.Session`, and check what an instrument says against what was asked of it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy import complex128, float64
from numpy.typing import NDArray

from drivers.blocks import DefiniteBlock
from drivers.dialect_file import UNFILLED, DataForm, DialectFile, ReadBackEntry
from drivers.framing import LONGEST_LINE, CountedLines, EchoMode, Framer, PromptedLines, Query, Reply
from drivers.transcript import escaped
from drivers.values import line_pattern, parse_number, read_block, read_lines, read_list
from harness.errors import CommandRefused, FileError, ReplyError, UsageError
from harness.quantities import show_frequency
from harness.records.fields import parse_toml
from harness.records.sweep import Grid, Trace

NUMBER_BYTES = 40
"""The most bytes that one number of a reply may take, with its separator."""
_ERROR_ENTRY = re.compile(r"\s*(?P<code>[+-]?\d{1,6})\s*(?:,\s*(?P<text>.*))?", re.ASCII)
_UNFILLED_LINE = re.compile(rf"""^\s*(?P<key>[\w.]+)\s*=.*["']{UNFILLED}""")


@dataclass(frozen=True)
class Identity:
    """What the instrument calls itself, and whether it echoed the question."""

    text: str
    echoed: bool


@dataclass(frozen=True)
class Dialect:
    """How one analyser is spoken to. ``echo`` is the file's setting until it has been found out."""

    file: DialectFile
    source: str
    unfilled: tuple[tuple[int, str], ...] = ()
    """(line, key) of every value that the file leaves to be filled in."""
    echo: EchoMode = field(default="off")

    @property
    def name(self) -> str:
        """The dialect's name."""
        return self.file.dialect.name

    @property
    def traces(self) -> tuple[Trace, ...]:
        """The traces that the dialect can ask for."""
        return tuple(self.file.traces)

    @property
    def prompted(self) -> bool:
        """Whether every reply ends with a prompt."""
        return self.file.dialect.style == "prompt"

    @property
    def end(self) -> bytes:
        """The bytes sent after every message."""
        return self.file.dialect.end.encode("ascii")

    @property
    def prompt(self) -> bytes:
        """The prompt; b"" where there is none."""
        return self.file.dialect.prompt.encode("ascii")

    def require_complete(self) -> None:
        """Raise FileError, naming the line, where the file still has values to be filled in."""
        if self.unfilled:
            line, key = self.unfilled[0]
            raise FileError(
                f"{self.source}, line {line}: {key} is still to be filled in ({len(self.unfilled)} such values in the file)",
                hint="Copy the dialect file, and write the message from your instrument's programming manual.",
                file=self.source,
                line=line,
            )

    def with_echo(self, found: bool) -> Dialect:
        """Return the dialect with its echo found out."""
        return replace(self, echo="on" if found else "off")

    # -- messages -------------------------------------------------------------------------------------------------------

    def command(self, text: str) -> Query[None] | bytes:
        """Return a message without an answer: a query for the bare prompt or echo, or bytes where nothing at all comes back."""
        data = text.encode("ascii") + self.end
        if self.prompted:
            return Query(text, data, self._prompted(data, 0, text), self._reader(text, lambda reply: None))
        if self.echo == "on":
            return Query(text, data, CountedLines(1, what=text), self._reader(text, lambda reply: _same_echo(reply, text)))
        return data

    def ask(self, text: str) -> Query[str]:
        """Return a query that is answered by one line of text."""
        return self._query(text, 1, lambda reply: _text_of(reply.lines[0], text))

    def identify(self) -> Query[Identity]:
        """Return the identity query."""
        text = self.file.identify.send
        return self._query(text, 1, lambda reply: Identity(_text_of(reply.lines[0], text).strip(), reply.echoed))

    def set_up(self, grid: Grid) -> tuple[str, ...]:
        """Return the set-up messages for ``grid``, in order. UsageError where the instrument has no such spacing."""
        values = self._values(grid)
        return tuple(entry.send.format(**values) for entry in self.file.set_up)

    def axis(self, points: int) -> Query[NDArray[float64]]:
        """Return the query for the frequencies, read as an array of shape (points,), in hertz."""
        entry = self.file.axis
        line = entry.line or self.file.data.line
        query = self._data(entry.send, self.file.axis_form, line, points, 1)
        return replace_reader(query, lambda table: table[:, 0])

    def trace(self, trace: Trace, points: int) -> Query[NDArray[complex128]]:
        """Return the query for one trace, read as complex128 of shape (points,)."""
        query = self._data(self.file.traces[trace].send, self.file.data.form, self.file.data.line, points, 2)
        return replace_reader(query, lambda table: table[:, 0] + 1j * table[:, 1])

    def reply_bytes(self, points: int, values: int, form: DataForm) -> int:
        """Return the most bytes that a reply of ``points`` × ``values`` numbers can take."""
        size = {"real32": 4, "real64": 8}.get(form, NUMBER_BYTES)
        return points * (values * size + 4) + LONGEST_LINE

    # -- what the instrument says, against what was asked ------------------------------------------------------------------

    def check_read_back(self, entry: ReadBackEntry, said: str, grid: Grid) -> dict[str, float]:
        """Return the numbers that ``said`` gives by name; ReplyError where they are not what was asked for."""
        if entry.says is not None:
            if not same_words(entry.says, said):
                raise _differs(entry.send, entry.says, said)
            return {}
        several = len(entry.gives) > 1
        parts = [part for part in re.split(r"[\s,]+", said.strip()) if part] if several else [said.strip()]
        if len(parts) != len(entry.gives):
            raise ReplyError(
                f"{entry.send}: {len(entry.gives)} values were expected ({', '.join(entry.gives)}), {said!r} came",
                hint="Check the dialect's read_back.",
            )
        asked = self._values(grid)
        numbers: dict[str, float] = {}
        for name, part in zip(entry.gives, parts, strict=True):
            if name in ("spacing", "form", "order"):
                if not same_words(str(asked[name]), part):
                    raise _differs(entry.send, asked[name], part)
                continue
            numbers[name] = parse_number(part.encode("ascii", errors="replace"), f"{entry.send}, {name}")
            self._check_number(entry.send, name, numbers[name], asked)
        return numbers

    def check_axis(self, axis_hz: NDArray[float64], grid: Grid) -> None:
        """Raise ReplyError where the frequencies are not those of ``grid``, to the dialect's ``within``."""
        asked = grid.frequencies()
        allowed = self._allowed_hz(asked, binary32=self.file.axis_form == "real32")
        if axis_hz.size > 1 and not np.all(np.diff(axis_hz) > 0):
            raise ReplyError("the frequencies read back do not rise from point to point", hint="Set up and sweep again.")
        off = np.abs(axis_hz - asked) - allowed
        worst = int(np.argmax(off))
        if off[worst] > 0:
            raise ReplyError(
                f"point {worst + 1} of {grid.points} was asked at {asked[worst]:.3f} Hz, and the analyser says it is at "
                f"{axis_hz[worst]:.3f} Hz (allowed: {show_frequency(float(allowed[worst]))} apart)",
                hint="Another spacing, span or frequency step than asked for. A coarser step needs a larger 'within' in the "
                "dialect's [axis].",
            )

    def _check_number(self, send: str, name: str, said: float, asked: dict[str, Any]) -> None:
        if name == "sweep_time":
            if not 0 <= said <= 1e6:
                raise ReplyError(f"{send}: a sweep time of {said:g} s cannot be", hint="Check the dialect's read_back.")
            return
        allowed = self._allowed_hz(np.array([asked[name]], dtype=float64))[0] if name in ("low", "high") else 0.0
        if abs(said - float(asked[name])) > allowed:
            raise _differs(send, f"{name} {asked[name]}", f"{name} {said:g}" if allowed == 0 else f"{name} {said!r}")

    def _allowed_hz(self, asked: NDArray[float64], binary32: bool = False) -> NDArray[float64]:
        relative = 2.0**-23 if binary32 else 1e-9
        return self.file.axis.within + relative * np.abs(asked)

    # -- inside -----------------------------------------------------------------------------------------------------------

    def _values(self, grid: Grid) -> dict[str, Any]:
        words = self.file.words
        if grid.spacing not in words.spacing:
            raise UsageError(
                f"the dialect {self.name} has no word for {grid.spacing} spacing of the points",
                hint=f"Set spacing in the bench file to {' or '.join(words.spacing)}.",
            )
        data = self.file.data
        return {
            "low": float(grid.low_hz),
            "high": float(grid.high_hz),
            "points": int(grid.points),
            "averages": int(grid.averages),
            "spacing": words.spacing[grid.spacing],
            "form": "" if data.form == "lines" else words.form.get(data.form, ""),
            "order": words.order.get(data.order, ""),
        }

    def _prompted(self, data: bytes, lines: int, what: str, limit: int = 65_536) -> PromptedLines:
        refusal = self.file.dialect.refusal.encode("ascii")
        return PromptedLines(self.prompt, lines, sent=data, echo=self.echo, refusal=refusal, limit=limit, what=what)

    def _reader(self, text: str, read: Any) -> Any:
        """Return ``read`` with refusals looked for first."""
        refusal = self.file.dialect.refusal.encode("ascii")

        def checked(reply: Reply) -> Any:
            if refusal and reply.lines and reply.lines[0].startswith(refusal):
                said = escaped(reply.lines[0][len(refusal) :])
                raise CommandRefused(
                    f"the analyser refused {text!r}: {said}", hint="Check the range in the bench file, and the dialect."
                )
            return read(reply)

        return checked

    def _query(self, text: str, lines: int, read: Any, limit: int = 65_536, longest: int = LONGEST_LINE) -> Query[Any]:
        data = text.encode("ascii") + self.end
        framer: Framer
        if self.prompted:
            framer = self._prompted(data, lines, text, limit)
        else:
            framer = CountedLines(lines, sent=data, echo=self.echo, limit=limit, longest=longest, what=text)
        return Query(text, data, framer, self._reader(text, read))

    def _data(self, text: str, form: DataForm, line: str | None, points: int, values: int) -> Query[NDArray[float64]]:
        limit = self.reply_bytes(points, values, form)
        if form == "lines":
            pattern = line_pattern(line or "")
            return self._query(text, points, lambda reply: read_lines(reply.lines, pattern, points, text), limit)
        if form == "ascii":
            return self._query(text, 1, lambda reply: read_list(reply.lines[0], points, values, text), limit, limit)
        size = 4 if form == "real32" else 8
        why = f"{points} points × {values} values × {size} bytes" if values > 1 else f"{points} points × {size} bytes"
        data = text.encode("ascii") + self.end
        framer = DefiniteBlock(points * values * size, why=why, sent=data, echo=self.echo, what=text)
        order = self.file.data.order
        return Query(text, data, framer, lambda reply: read_block(reply.payload, points, values, size, order, text))


def replace_reader(query: Query[NDArray[float64]], convert: Any) -> Query[Any]:
    """Return ``query`` with its value converted by ``convert``."""
    return Query(query.what, query.data, query.framer, lambda reply: convert(query.read(reply)))


def parse_dialect(text: str, source: str) -> Dialect:
    """Return the dialect of a dialect file's text.

    Values still to be filled in are kept and listed; :meth:`Dialect.require_complete` refuses them. Raises FileError with
    file, line, key, value and what is allowed.
    """
    file = parse_toml(DialectFile, text, source)
    unfilled = tuple(
        (number, match["key"]) for number, line in enumerate(text.splitlines(), start=1) if (match := _UNFILLED_LINE.match(line))
    )
    return Dialect(file, source, unfilled, file.dialect.echo)


def parse_error_entry(said: str, what: str) -> tuple[int, str]:
    """Return (code, text) of an entry of the SCPI error queue, such as ``-113,"Undefined header"``; 0 is "no error"."""
    match = _ERROR_ENTRY.fullmatch(said)
    if match is None:
        raise ReplyError(
            f"{what}: {said!r} is no entry of an error queue (a number, then a text in quotes)",
            hint="Check the dialect's [errors].",
        )
    return int(match["code"]), (match["text"] or "").strip().strip('"')


def same_words(asked: str, said: str) -> bool:
    """Tell whether ``said`` is ``asked``, in its long or short form (capitals of ``asked``), in any case, part by part.

    Further parts that the instrument adds after a comma are left alone; 1 and ON, 0 and OFF are the same.
    """
    wanted, came = asked.split(","), [part.strip().strip('"') for part in said.strip().split(",")]
    return len(came) >= len(wanted) and all(_same_word(w.strip(), c) for w, c in zip(wanted, came, strict=False))


def _same_word(asked: str, said: str) -> bool:
    short = "".join(character for character in asked if not character.islower())
    switch = {"ON": "1", "OFF": "0"}
    forms = {asked.upper(), short or asked.upper()}
    return said.upper() in forms or switch.get(said.upper(), said.upper()) in {switch.get(form, form) for form in forms}


def _differs(send: str, asked: object, said: object) -> ReplyError:
    return ReplyError(
        f"{send}: {asked} was asked for, the analyser says {said}",
        hint="Outside what the instrument can do, or set by hand meanwhile. Change the bench file or the dialect.",
    )


def _text_of(line: bytes, what: str) -> str:
    """Return one line as text; ReplyError where it is not printable ASCII."""
    if not all(0x20 <= byte < 0x7F or byte == 0x09 for byte in line):
        raise ReplyError(
            f"{what}: {escaped(line[:80])!r} is not plain text",
            hint="Check the baud rate, and that the address is the instrument's.",
        )
    return line.decode("ascii")


def _same_echo(reply: Reply, text: str) -> None:
    if reply.lines[0] != text.encode("ascii"):
        raise ReplyError(
            f"the echo is not what was sent: sent {text!r}, came {escaped(reply.lines[0][:80])!r}",
            hint="A byte was lost or changed on the way: check the cable and the baud rate.",
        )
