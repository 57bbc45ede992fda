"""The dialect file: how one analyser is spoken to, as the TOML file that a person writes. Checked, nothing spoken yet."""

from __future__ import annotations

import string
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, StringConstraints, model_validator

from drivers.framing import EchoMode
from drivers.values import ByteOrder, line_pattern
from harness.records.fields import FileModel, Hertz, Name, Title
from harness.records.sweep import Trace

DataForm = Literal["lines", "ascii", "real32", "real64"]
Given = Literal["low", "high", "points", "averages", "spacing", "form", "order", "sweep_time"]
PLACEHOLDERS = ("low", "high", "points", "averages", "spacing", "form", "order")
UNFILLED = "FILL IN"


def _message(text: str) -> str:
    """Refuse what cannot be sent: control characters, other scripts, unknown placeholders."""
    if not text.isascii() or not text.isprintable():
        raise ValueError(f"{text!r} has characters that are not printable ASCII; the line end is added from [dialect] end")
    try:
        fields = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
        known = all(name in PLACEHOLDERS for name in fields)
        if known:
            text.format(**SAMPLE)
    except (ValueError, IndexError, KeyError) as error:
        raise ValueError(f"{text!r}: {error}") from None
    if not known:
        allowed = ", ".join(f"{{{name}}}" for name in PLACEHOLDERS)
        raise ValueError(f"{text!r}: between braces only {allowed} are allowed; a brace itself is written twice")
    return text


SAMPLE: dict[str, float | int | str] = {
    "low": 1.0e6,
    "high": 2.0e6,
    "points": 11,
    "averages": 1,
    "spacing": "x",
    "form": "x",
    "order": "x",
}

Message = Annotated[str, StringConstraints(min_length=1, max_length=300), AfterValidator(_message)]
Word = Annotated[str, StringConstraints(pattern=r"^[!-~]([ -~]{0,38}[!-~])?$")]


class DialectEntry(FileModel):
    """``[dialect]``: name, style of the replies, line ends, prompt, echo."""

    model_config = FileModel.model_config | {"str_strip_whitespace": False}

    name: Name
    title: Title = ""
    style: Literal["prompt", "message"]
    end: Literal["\n", "\r", "\r\n"] = "\n"
    prompt: str = Field(default="", max_length=40)
    refusal: str = Field(default="", max_length=40)
    echo: EchoMode = "off"

    @model_validator(mode="after")
    def _prompt_fits_the_style(self) -> Self:
        for key, text in (("prompt", self.prompt), ("refusal", self.refusal)):
            if not text.isascii() or not (text.isprintable() or not text):
                raise ValueError(f"{key} {text!r} has characters that are not printable ASCII")
        if (self.style == "prompt") != bool(self.prompt):
            raise ValueError('the prompt is needed with style = "prompt", and only there')
        if self.style == "message" and self.refusal:
            raise ValueError('refusal goes with style = "prompt"; a SCPI instrument has [errors]')
        return self


class Ask(FileModel):
    """A query that answers with one line."""

    send: Message


class IdentifyEntry(Ask):
    """``[identify]``: the query, and a text that the identity must contain, where given."""

    contains: str = ""


class CorrectionEntry(Ask):
    """``[correction]``: the query that tells whether the instrument corrects its data; ``on``: what it then answers."""

    on: str = Field(default="1", min_length=1, max_length=40)


class ReadBackEntry(Ask):
    """``[[read_back]]``: a query for settings: the values it ``gives`` in their order, or what it must answer (``says``)."""

    gives: tuple[Given, ...] = ()
    says: str | None = None

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if bool(self.gives) == (self.says is not None):
            raise ValueError("either gives (names of values) or says (the answer itself) is needed, not both")
        return self


class SweepEntry(FileModel):
    """``[sweep]``: the messages that start one sweep; ``done``: a query that answers ``done_says`` when it is complete."""

    trigger: tuple[Message, ...] = Field(min_length=1)
    done: Message | None = None
    done_says: str = "1"


class DataEntry(FileModel):
    """``[data]``: the form that traces come in. ``line``: the printf-like format of one line of form "lines"."""

    form: DataForm
    order: ByteOrder = "big"
    line: str | None = None

    @model_validator(mode="after")
    def _line_with_lines(self) -> Self:
        _check_line(self.form, self.line, 2)
        return self


class AxisEntry(Ask):
    """``[axis]``: the query for the frequencies; ``form`` as [data] where not given; ``within``: the largest deviation."""

    form: DataForm | None = None
    line: str | None = None
    within: Hertz = Field(default=1.0, ge=0, le=1e6)

    @model_validator(mode="after")
    def _line_with_lines(self) -> Self:
        if self.form is not None:
            _check_line(self.form, self.line, 1)
        return self


class TraceEntry(Ask):
    """``[traces.s11]``: the query for one trace, and messages that go before it."""

    select: tuple[Message, ...] = ()


class WordsEntry(FileModel):
    """``[words]``: the instrument's words for spacing, data form and byte order. Capitals mark the short form."""

    spacing: dict[Literal["linear", "log"], Word] = {"linear": "linear"}
    form: dict[Literal["ascii", "real32", "real64"], Word] = {}
    order: dict[ByteOrder, Word] = {}


class DialectFile(FileModel):
    """Everything in a dialect file."""

    dialect: DialectEntry
    identify: IdentifyEntry
    errors: Ask | None = None
    correction: CorrectionEntry | None = None
    set_up: tuple[Ask, ...] = Field(min_length=1, max_length=64)
    read_back: tuple[ReadBackEntry, ...] = Field(min_length=1, max_length=64)
    words: WordsEntry = WordsEntry()
    sweep: SweepEntry
    axis: AxisEntry
    data: DataEntry
    traces: dict[Trace, TraceEntry] = Field(min_length=1)

    @model_validator(mode="after")
    def _parts_fit_together(self) -> Self:
        if self.dialect.style == "prompt" and {self.data.form, self.axis_form} & {"real32", "real64"}:
            raise ValueError('binary blocks go with style = "message" only')
        if self.axis_form == "lines" and self.axis.line is None:
            raise ValueError('axis.line is missing (form = "lines"); for example "%018.3f"')
        if self.dialect.style == "message" and self.sweep.done is None:
            raise ValueError('sweep.done is missing: a query such as "*OPC?" that answers when the sweep is complete')
        given = {name for entry in self.read_back for name in entry.gives}
        if missing := {"points", "averages"} - given:
            raise ValueError(f"read_back gives no {' and no '.join(sorted(missing))}")
        self._words_are_there()
        return self

    def _words_are_there(self) -> None:
        used = {name for entry in self.set_up for _, name, _, _ in string.Formatter().parse(entry.send)}
        used |= {name for entry in self.read_back for name in entry.gives}
        if "form" in used and self.data.form not in self.words.form:
            raise ValueError(f"words.form has no word for {self.data.form!r}, which [data] form chooses")
        if "order" in used and self.data.order not in self.words.order:
            raise ValueError(f"words.order has no word for {self.data.order!r}, which [data] order chooses")

    @property
    def axis_form(self) -> DataForm:
        """The form that the frequencies come in."""
        return self.axis.form or self.data.form


def _check_line(form: DataForm, line: str | None, values: int) -> None:
    if (form == "lines") != (line is not None):
        raise ValueError('line (the format of one line) is needed with form = "lines", and only there')
    if line is not None and (found := line_pattern(line).values) != values:
        raise ValueError(f"line {line!r} has {found} numbers; {values} needed")
