"""Start-up: ``tapproof --help`` imports nothing slow."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from harness import __version__
from tests.command_line import Program

MAY_IMPORT = {"typer", "rich", "harness", "shellingham", "annotated_doc", "markdown_it", "mdurl", "pygments", "typing_extensions"}
"""Third-party packages that a bare typer program imports for its own help, and ours."""

LIST = """
import json, sys
before = set(sys.modules)
from harness.cli import main
try:
    main(["--help"])
except SystemExit:
    pass
new = {name.split(".")[0] for name in set(sys.modules) - before}
ours = sorted(name for name in sys.modules if name.split(".")[0] in ("harness", "drivers", "sequences"))
third = sorted(name for name in new if name not in sys.stdlib_module_names)
sys.stderr.write(json.dumps({"third": third, "ours": ours}))
"""


def imported() -> dict[str, list[str]]:
    done = subprocess.run([sys.executable, "-c", LIST], capture_output=True, text=True, check=True)
    assert "prove" in done.stdout
    listed: dict[str, list[str]] = json.loads(done.stderr)
    return listed


def test_help_imports_only_what_the_command_line_needs() -> None:
    listed = imported()
    assert set(listed["third"]) <= MAY_IMPORT, listed["third"]


def test_help_imports_no_module_of_ours_but_the_command_line_and_the_errors() -> None:
    listed = imported()
    assert all(name in ("harness", "harness.errors") or name.startswith("harness.cli") for name in listed["ours"]), listed["ours"]


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def test_the_version_is_told_and_nothing_else(program: Program) -> None:
    said = program("--version")
    assert (said.status, said.out, said.err) == (0, f"tapproof {__version__}\n", "")


def test_a_group_of_commands_alone_answers_with_what_it_can_do(program: Program) -> None:
    said = program("log")
    assert (said.status, said.out) == (2, "")
    assert said.err.startswith("Usage: tapproof log")
    assert "withdraw" in said.err


def test_a_missing_option_points_to_the_command_s_own_help(program: Program) -> None:
    said = program("prove", "CL-1")
    assert said.status == 2
    assert "'--type'" in said.err
    assert "See 'tapproof prove --help'." in said.err
