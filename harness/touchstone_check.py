"""Touchstone files looked at line by line before any parser sees them: everything that is not by the rules is refused.

Rules: Touchstone 1.1 (2002), 2.0 (2009) and 2.1 (2024), IBIS Open Forum; stricter where a reader would have to guess: the option
line must be there, once; frequencies rise strictly; every number is finite and complete; every row is whole.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from itertools import accumulate, takewhile
from typing import Literal, NoReturn

from harness.errors import FileError

MAX_CHARACTERS = 50_000_000
MAX_POINTS = 100_001
MAX_LINE = 2_000
MAX_COMMENTS = 1_000
MAX_PORTS = 9
REFERENCE_OHM = 50.0

UNITS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
FORMATS = ("ri", "ma", "db")
_OPTION_WORDS = (*UNITS, *FORMATS, "s", "y", "z", "g", "h", "r")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+(?:[eE][+-]?[0-9]+)?")
_KEYWORD = re.compile(r"\[([^\]]*)\](.*)", re.ASCII | re.DOTALL)
_PORT_IMPEDANCE = re.compile(r"\s*port\s+impedance\b(.*)", re.IGNORECASE | re.DOTALL)
_ANSWERS = {"two-port data order": ("12_21", "21_12"), "matrix format": ("full", "lower", "upper")}
_COUNTS = ("number of ports", "number of frequencies", "number of noise frequencies")
_FLAGS = ("network data", "noise data", "end", "begin information", "end information")


@dataclass
class Scan:
    """A file that has passed: options in lower case, rows of number tokens as they stand, one row for each frequency."""

    source: str
    ports: int
    version: str | None = None
    unit: str = "ghz"
    format: str = "ma"
    references: tuple[float, ...] = (REFERENCE_OHM,)
    keywords: dict[str, str] = field(default_factory=dict)
    comments: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    row_lines: list[int] = field(default_factory=list)
    has_noise: bool = False
    ends_with_newline: bool = False
    impedance_line: int | None = None
    """Where a comment gives port impedances other than 50 Ω, as some field solvers write them."""

    def refuse(self, line: int | None, reason: str, allowed: str) -> NoReturn:
        """Raise the FileError of this file: line, what is wrong, what is allowed."""
        where = f"{self.source}, line {line}" if line else self.source
        hint = "Mend the file, or export it again."
        raise FileError(f"{where}: {reason}. {allowed}", hint=hint, file=self.source, line=line)


def scan(text: str, ports: int, source: str) -> Scan:
    """Return the scanned file, or raise FileError with the line, the reason and what is allowed."""
    return _Scanner(text, ports, source).run()


class _Scanner:
    def __init__(self, text: str, ports: int, source: str) -> None:
        self.out = Scan(source, ports)
        if not 1 <= ports <= MAX_PORTS:
            self.out.refuse(None, f"{ports} ports are not readable", f"1 to {MAX_PORTS} ports are.")
        if len(text) > MAX_CHARACTERS:
            self.out.refuse(None, f"the file has {len(text)} characters", f"At most {MAX_CHARACTERS} are read.")
        if "\x00" in text:
            line = len(re.findall(r"\r\n|\n|\r", text[: text.index("\x00")])) + 1
            self.out.refuse(line, "there is a zero byte", "A Touchstone file is plain text.")
        self.lines = re.split(r"\r\n|\n|\r", text.removeprefix("\ufeff"))
        self.out.ends_with_newline = text.endswith(("\n", "\r"))
        self.number = 0
        self.options: int | None = None
        self.section: Literal["head", "data", "noise", "information", "end"] = "head"
        self.pending: list[str] = []
        self.pending_line = 0
        self.reference_tokens: list[str] | None = None
        self.noise_hz = -math.inf
        self.noise_rows = 0

    def refuse(self, reason: str, allowed: str) -> NoReturn:
        self.out.refuse(self.number, reason, allowed)

    def run(self) -> Scan:
        for number, line in enumerate(self.lines, start=1):
            self.number = number
            if len(line) > MAX_LINE:
                self.refuse(f"the line has {len(line)} characters", f"At most {MAX_LINE} are read.")
            content, mark, comment = line.partition("!")
            if mark:
                self.comment(comment)
            content = content.strip(" \t")
            if content:
                self.content(content)
        self.finish()
        return self.out

    def comment(self, text: str) -> None:
        impedance = _PORT_IMPEDANCE.match(text)
        if impedance is not None and any(word not in ("50", "50.0", "0", "0.0") for word in impedance[1].split()):
            self.out.impedance_line = self.out.impedance_line or self.number
        if len(self.out.comments) < MAX_COMMENTS:
            self.out.comments.append(text)

    def content(self, content: str) -> None:
        if self.section == "information":
            if content.lower().startswith("[end information]"):
                self.section = "head"
            return
        if self.section == "end":
            self.refuse(f"{_short(content)} stands after [End]", "Nothing but comments may follow [End].")
        if content.startswith("#"):
            self.option_line(content[1:])
        elif content.startswith("["):
            self.keyword(content)
        elif self.reference_tokens is not None and len(self.reference_tokens) < self.out.ports:
            self.reference_tokens += _words(content)
        else:
            self.data(content)

    # Option line and keywords

    def option_line(self, content: str) -> None:
        if self.options is not None:
            self.refuse(f"a second option line (the first is line {self.options})", "One line that begins with # is allowed.")
        if self.out.rows or self.pending or self.section != "head":
            self.refuse("the option line stands after data", "It stands before the first data line.")
        self.options = self.number
        seen: dict[str, str] = {}
        tokens = _words(content.lower())
        while tokens:
            token = tokens.pop(0)
            kind = self.option_kind(token)
            if kind in seen:
                self.refuse(f"the option line gives {kind} twice: {seen[kind]} and {token}", "Each may stand once.")
            seen[kind] = token
            if kind == "the resistance":
                values = list(takewhile(lambda one: one not in _OPTION_WORDS, tokens))
                self.resistances(values)
                del tokens[: len(values)]
        self.out.unit = seen.get("the unit", "ghz")
        self.out.format = seen.get("the format", "ma")

    def option_kind(self, word: str) -> str:
        if word in UNITS:
            return "the unit"
        if word in FORMATS:
            return "the format"
        if word == "r":
            return "the resistance"
        if word in ("y", "z", "g", "h"):
            self.refuse(
                f"the file holds {word.upper()}-parameters", "Only S-parameters are read. Export the file as S-parameters."
            )
        if word != "s":
            self.refuse(
                f"{_short(word)} in the option line is not known",
                "# [Hz, kHz, MHz or GHz] [S] [RI, MA or DB] [R ohms], in any order.",
            )
        return "the parameter"

    def resistances(self, tokens: list[str]) -> None:
        allowed = f"R is followed by one resistance in ohms, or by {self.out.ports}, one for each port, each real and above zero."
        if len(tokens) not in {1, self.out.ports}:
            self.refuse(f"R is followed by {len(tokens)} values", allowed)
        self.out.references = tuple(self.resistance(token, allowed) for token in tokens)

    def resistance(self, token: str, allowed: str) -> float:
        if not _NUMBER.fullmatch(token):
            self.refuse(f"the reference resistance {_short(token)} is not a plain number", allowed)
        value = float(token)
        if not 0 < value < math.inf:
            self.refuse(f"the reference resistance is {token} ohm", allowed)
        return value

    def keyword(self, content: str) -> None:
        match = _KEYWORD.fullmatch(content)
        if match is None:
            self.refuse(f"{_short(content)} is not a whole keyword", "A keyword stands in brackets: [Version] 2.0.")
        name, value = " ".join(match[1].lower().split()), match[2].strip().lower()
        if name == "version":
            return self.version(value)
        if self.out.version is None:
            self.refuse(f"the keyword [{_plain_text(match[1])}] without [Version] before it", "Version 1 files have no keywords.")
        if name in self.out.keywords:
            self.refuse(f"the keyword [{_plain_text(match[1])}] stands twice", "Each keyword may stand once.")
        self.out.keywords[name] = value
        if name in _FLAGS:
            return self.flag(name, value)
        if self.section != "head":
            self.refuse(
                f"the keyword [{_plain_text(match[1])}] stands after the data begins", "It belongs before [Network Data]."
            )
        if name == "reference":
            self.reference_tokens = _words(value)
            return None
        return self.setting(name, value)

    def version(self, value: str) -> None:
        if self.out.version is not None or self.options is not None or self.out.rows:
            self.refuse("[Version] does not come first", "[Version] stands once, before everything but comments.")
        if value not in ("2.0", "2.1"):
            self.refuse(f"the version {_short(value)} is not known", "Versions 1.x (without this keyword), 2.0 and 2.1 are read.")
        self.out.version = value

    def flag(self, name: str, value: str) -> None:
        if value:
            self.refuse(f"{_short(value)} stands behind [{name}]", "Nothing may stand behind this keyword.")
        if name == "begin information":
            self.section = "information"
        elif name == "end information":
            self.refuse("[End Information] without [Begin Information]", "They come in pairs.")
        elif name == "network data":
            self.begin_network_data()
        elif name == "noise data":
            if self.section != "data" or self.out.ports != 2:
                self.refuse("noise data out of place", "It may follow the network data of a two-port.")
            self.whole()
            self.section = "noise"
        else:
            self.whole()
            self.section = "end"

    def setting(self, name: str, value: str) -> None:
        if name in _ANSWERS:
            if value not in _ANSWERS[name]:
                self.refuse(f"[{name}] is {_short(value)}", f"{' or '.join(_ANSWERS[name])} is allowed.")
        elif name in _COUNTS:
            if not re.fullmatch(r"[0-9]{1,9}", value) or int(value) == 0:
                self.refuse(f"[{name}] is {_short(value)}", "A whole number above zero is allowed.")
            if name == "number of ports" and int(value) != self.out.ports:
                self.refuse(f"the file has {int(value)} ports", f"{self.out.ports} are needed here.")
        elif name == "mixed-mode order":
            self.refuse("the file holds mixed-mode parameters", "Only single-ended S-parameters are read.")
        else:
            self.refuse(f"the keyword [{_plain_text(name)}] is not known", "The keywords of Touchstone 2.0 and 2.1 are.")

    def begin_network_data(self) -> None:
        needed = ["number of ports", "number of frequencies"] + ["two-port data order"] * (self.out.ports == 2)
        missing = [name for name in needed if name not in self.out.keywords]
        if missing:
            self.refuse(f"[{missing[0]}] is missing before [Network Data]", "A version 2 file must have it.")
        if self.options is None:
            self.refuse("there is no option line before [Network Data]", "A line such as '# MHz S RI R 50' must stand there.")
        if self.reference_tokens is not None:
            if len(self.reference_tokens) != self.out.ports:
                self.refuse(
                    f"[Reference] gives {len(self.reference_tokens)} values", f"{self.out.ports} are needed, one for each port."
                )
            allowed = "[Reference] gives one real resistance in ohms, above zero, for each port."
            self.out.references = tuple(self.resistance(token, allowed) for token in self.reference_tokens)
        self.section = "data"

    # Data

    def data(self, content: str) -> None:
        if self.options is None:
            self.refuse(
                f"there is no option line before {_short(content)}",
                "A line such as '# MHz S RI R 50' must stand before the data.",
            )
        if self.out.version is not None and self.section == "head":
            self.refuse(f"{_short(content)} stands before [Network Data]", "Data stand behind that keyword.")
        tokens = _words(content)
        for token in tokens:
            self.number_token(token)
        if self.section == "noise" or self.begins_noise(tokens):
            return self.noise(tokens)
        return self.network(tokens)

    def number_token(self, token: str) -> None:
        if not _NUMBER.fullmatch(token):
            allowed = "Numbers look like 12, -0.5 or 1.5e-3."
            if _COMMA.fullmatch(token):
                self.refuse(f"{_short(token)} has a decimal comma", f"The decimal sign is a point. {allowed}")
            self.refuse(f"{_short(token)} is not a number", allowed)
        if not math.isfinite(float(token)):
            self.refuse(f"{_short(token)} is too large", "Numbers are finite.")

    def begins_noise(self, tokens: list[str]) -> bool:
        one = self.out.version is None and self.out.ports == 2 and not self.pending
        if one and len(tokens) == 5 and self.out.rows and float(tokens[0]) <= float(self.out.rows[-1][0]):
            self.section = "noise"
            return True
        return False

    def noise(self, tokens: list[str]) -> None:
        if len(tokens) != 5:
            self.refuse(f"a noise row has {len(tokens)} numbers", "It has 5.")
        if not self.noise_hz < float(tokens[0]):
            self.refuse("the frequencies of the noise data do not rise", "Each is higher than the one before.")
        self.noise_hz = float(tokens[0])
        self.noise_rows += 1
        self.out.has_noise = True

    def network(self, tokens: list[str]) -> None:
        ends = self.line_ends()
        if not self.pending:
            self.pending_line = self.number
            self.frequency(tokens[0])
        before, after = len(self.pending), len(self.pending) + len(tokens)
        self.check_line(before, after, len(tokens), ends)
        self.pending += tokens
        if after == ends[-1]:
            if len(self.out.rows) >= MAX_POINTS:
                self.refuse(f"there are more than {MAX_POINTS} points", f"At most {MAX_POINTS} are read.")
            self.out.rows.append(self.pending)
            self.out.row_lines.append(self.pending_line)
            self.pending = []

    def line_ends(self) -> list[int]:
        """Return how many numbers of a point, its frequency included, are there at the end of each row of the matrix."""
        n, shape = self.out.ports, self.out.keywords.get("matrix format", "full")
        lengths = {"full": [n] * n, "lower": list(range(1, n + 1)), "upper": list(range(n, 0, -1))}[shape]
        ends = [1 + 2 * count for count in accumulate(lengths)]
        return ends[-1:] if n <= 2 else ends

    def check_line(self, before: int, after: int, count: int, ends: list[int]) -> None:
        n = self.out.ports
        end = next(end for end in ends if end > before)
        wraps = n > 4 or (self.out.version is not None and n > 2)
        if after > end or (after < end and not wraps):
            if n <= 2:
                self.refuse(
                    f"the row has {count} numbers",
                    f"A row of a {n}-port file has {end}: the frequency and {(end - 1) // 2} pairs.",
                )
            self.refuse(
                f"the row has {count} numbers where {end - before} are missing to the end of the matrix row",
                f"Each row of the {n} by {n} matrix begins on a new line; the first begins with the frequency.",
            )
        pairs, odd = divmod(count - (before == 0), 2)
        if odd:
            self.refuse(f"the row has {count} numbers: a pair is cut", "Numbers come in pairs behind the frequency.")
        if self.out.version is None and n > 2 and pairs > 4:
            self.refuse(f"the row has {pairs} pairs", "At most four pairs stand in one line of a version 1 file.")

    def frequency(self, token: str) -> None:
        value = float(token)
        if not 0 < value * UNITS[self.out.unit] < math.inf:
            self.refuse(f"the frequency {_short(token)} is not above zero", "Frequencies are finite and above 0 Hz.")
        if self.out.rows and not value > float(self.out.rows[-1][0]):
            kind = "is repeated" if value == float(self.out.rows[-1][0]) else f"comes after {self.out.rows[-1][0]}"
            self.refuse(f"the frequency {token} {kind}", "Frequencies rise from row to row.")

    def whole(self) -> None:
        """Refuse a point that is not complete, and counts that differ from what a version 2 file promises."""
        if self.pending:
            need = self.line_ends()[-1]
            self.out.refuse(
                self.pending_line,
                f"the point that begins here has {len(self.pending)} of {need} numbers: the file is cut",
                "Every point is complete.",
            )
        if self.section == "data":
            self.counted("number of frequencies", len(self.out.rows))

    def counted(self, name: str, came: int) -> None:
        said = self.out.keywords.get(name)
        if said is not None and int(said) != came:
            self.refuse(f"[{name}] says {int(said)}, and {came} rows came", "The count and the rows agree.")

    def finish(self) -> None:
        self.number = max(1, len(self.lines) - self.out.ends_with_newline)
        if self.section != "end":
            self.whole()
        # [End] may be missing, as in published copies of the specification's examples: the counts show that the file is whole.
        self.counted("number of noise frequencies", self.noise_rows)
        if self.options is None:
            self.refuse("there is no option line", "A line such as '# MHz S RI R 50' must stand before the data.")
        if not self.out.rows:
            self.refuse("there are no data", "At least one frequency is needed.")


def _words(content: str) -> list[str]:
    """Return what blanks and tabs part: other characters that look empty are no separators in Touchstone."""
    return [word for word in content.replace("\t", " ").split(" ") if word]


def _plain_text(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)[:40]


def _short(text: str) -> str:
    """Return what stands in the file, quoted, printable and bounded."""
    return f"'{_plain_text(text)}{'…' if len(text) > 40 else ''}'"
