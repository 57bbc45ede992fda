"""Field types of the files people write: text with a unit in the file, SI numbers in the program.

Values are written back as text with the bare SI unit and every digit ("7100000.0 Hz"), so that a record reads back exactly.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, PlainSerializer, StringConstraints, ValidationError

from harness.errors import FileError, UsageError
from harness.quantities import parse_quantity

MAX_TOML_CHARACTERS = 200_000
MAX_TOML_LINE = 2_000
"""Characters of one line: the parser's time grows with the square of the parts of a dotted key."""


def _reader(unit: str) -> Callable[[object], float]:
    def read(value: object) -> float:
        if not isinstance(value, str):
            raise ValueError(f"{value!r} is not text with a unit; {unit} is needed, in quotes")
        try:
            return parse_quantity(value, unit, "value")
        except UsageError as error:
            raise ValueError(f"{error.message.removeprefix('value: ')}. {error.hint}") from None

    return read


def _writer(unit: str) -> PlainSerializer:
    return PlainSerializer(lambda value: f"{value!r} {unit}", return_type=str)


Hertz = Annotated[float, BeforeValidator(_reader("Hz")), _writer("Hz")]
Decibels = Annotated[float, BeforeValidator(_reader("dB")), _writer("dB")]
Watts = Annotated[float, BeforeValidator(_reader("W")), _writer("W")]
Ohms = Annotated[float, BeforeValidator(_reader("Ω")), _writer("ohm")]
Seconds = Annotated[float, BeforeValidator(_reader("s")), _writer("s")]
Farads = Annotated[float, BeforeValidator(_reader("F")), _writer("F")]
Henries = Annotated[float, BeforeValidator(_reader("H")), _writer("H")]
Metres = Annotated[float, BeforeValidator(_reader("m")), _writer("m")]
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._+()-]{0,63}$")]
Title = Annotated[str, StringConstraints(max_length=200)]


class FileModel(BaseModel):
    """Base of every table in a file: frozen, and unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


Model = TypeVar("Model", bound=FileModel)


def parse_toml(model: type[Model], text: str, source: str) -> Model:
    """Return ``text`` as ``model``; FileError names the file, line, key, value and what is allowed."""
    if len(text) > MAX_TOML_CHARACTERS:
        raise FileError(f"{source} has {len(text)} characters; at most {MAX_TOML_CHARACTERS} are read", file=source)
    longest = max(enumerate(text.split("\n"), start=1), key=lambda numbered: len(numbered[1]))
    if len(longest[1]) > MAX_TOML_LINE:
        raise FileError(
            f"{source}, line {longest[0]}: {len(longest[1])} characters; at most {MAX_TOML_LINE} are read in one line",
            hint="Check that this is the file you meant.",
            file=source,
            line=longest[0],
        )
    try:
        tree = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise FileError(f"{source} is not TOML: {error}", file=source, hint="Mend the line that is named.") from None
    return check_tree(model, tree, text, source)


def check_tree(model: type[Model], tree: Mapping[str, Any], text: str, source: str) -> Model:
    """Return a parsed tree as ``model``; FileError tells the first thing that is wrong, with its line in ``text``."""
    try:
        return model.model_validate(tree)
    except ValidationError as error:
        first = _first_of(error.errors(include_url=False))
        path = [str(part) for part in first["loc"]]
        key = ".".join(path)
        line = line_of(text, path)
        where = f"{source}, line {line}" if line else source
        raise FileError(f"{where}: {_in_words(first, key)}", hint=_hint(first["type"]), file=source, line=line) from None


def _first_of(errors: Sequence[Any]) -> Any:
    """Return the error to tell: a key that is not known first, for it is often the one that is missing, misspelt."""
    return next((error for error in errors if error["type"] == "extra_forbidden"), errors[0])


def _in_words(first: Any, key: str) -> str:
    kind = first["type"]
    if kind == "missing":
        return f"{key} is missing"
    if kind == "extra_forbidden":
        return f"{key} is not a key of this file"
    said = str(first["msg"]).removeprefix("Value error, ")
    came = f" (it is {first['input']!r})" if kind != "value_error" and isinstance(first["input"], str | int | float) else ""
    return f"{key}: {said}{came}" if key else said


def _hint(kind: str) -> str:
    return {"missing": "Add the key.", "extra_forbidden": "Check its spelling, or take it out."}.get(
        kind, "Mend the value and run again."
    )


def line_of(text: str, path: list[str]) -> int | None:
    """Return the 1-based line where the key ``path`` stands in a TOML text, or of its table, or None."""
    table: list[str] = []
    best: int | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        stripped = line.strip()
        if stripped.startswith("["):
            table = [part.strip().strip('"') for part in stripped.strip("[]").split("#")[0].strip(" []").split(".")]
            if table and table == path[: len(table)]:
                best = number
        elif "=" in stripped and path:
            key = [part.strip().strip('"') for part in stripped.split("=", 1)[0].split(".")]
            if table + key == path[: len(table) + len(key)]:
                return number
    return best
