"""What ``--page`` goes with: a run at the bench, and nothing else."""

from __future__ import annotations

from pathlib import Path

from harness.errors import UsageError


def check_page(from_: Path | None, *, page: bool, steps: bool) -> None:
    """Refuse a page where nothing is asked (UsageError)."""
    if page and (steps or from_ is not None):
        other = "--steps" if steps else "--from"
        raise UsageError(f"--page shows a run at the bench, and {other} asks nothing", hint="Give one of the two.")
