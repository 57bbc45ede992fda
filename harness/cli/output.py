"""What commands print: results on standard output, prompts, progress and errors on standard error."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

from harness.errors import TapproofError

if TYPE_CHECKING:
    from harness.steps import Plan


def print_json(document: Any) -> None:
    """Print one JSON document on standard output. Not-a-number has no JSON form and is refused (ValueError)."""
    sys.stdout.write(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def print_plan(plan: Plan, *, json_: bool) -> int:
    """Print what a run will ask, as text or as one JSON document; returns the exit status 0."""
    from harness.operators.terminal import plan_document, plan_lines

    if json_:
        print_json(plan_document(plan))
    else:
        sys.stdout.write("\n".join(plan_lines(plan)) + "\n")
    return 0


def report_error(error: TapproofError, *, as_json: bool) -> None:
    """Print an error: as the JSON error object on standard output, or as a message and a remedy on standard error."""
    if as_json:
        print_json({"error": error.as_json()})
        return
    sys.stderr.write(f"tapproof: {printable(error.message)}\n")
    if error.hint:
        sys.stderr.write(f"  → {printable(error.hint)}\n")


def printable(text: str) -> str:
    """Return text with control characters shown as escapes, so that a file or an instrument cannot steer the terminal."""
    return "".join(c if c == "\n" or (c.isprintable()) else c.encode("unicode_escape").decode("ascii") for c in text)
