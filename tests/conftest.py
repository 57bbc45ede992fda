"""What holds for every test: which tool a marker asks for, what a skip means, and that examples are drawn the same way each time.

A test marked ``needs_ngspice``, ``needs_browser`` or ``needs_postgres`` is skipped, with the reason printed, where the tool is
not there. With ``TAPPROOF_NO_SKIP=1`` (``make check``) nothing may be skipped: a missing tool, any other skip, a file that skips
itself, and an expected failure each count as a failure. Tests marked ``thorough`` take long by their nature; they run then, or
when ``-m`` names that marker or the command line names their file. Tests marked ``evidence`` run only when ``-m`` names them.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Generator
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples on every run and no time limit on one example: a result must not depend on how busy the machine is.
settings.register_profile("bench", derandomize=True, deadline=None)
settings.load_profile("bench")

NO_SKIP = os.environ.get("TAPPROOF_NO_SKIP", "") not in ("", "0")
FORBIDDEN = "nothing may be skipped here (TAPPROOF_NO_SKIP is set)"

Outcome = Generator[None, pytest.TestReport, pytest.TestReport]
Collected = Generator[None, pytest.CollectReport, pytest.CollectReport]


def find_program(*names: str) -> Path | None:
    """Return the first of these programs that the search path holds, else None."""
    found = (shutil.which(name) for name in names)
    return next((Path(place) for place in found if place), None)


def find_browser() -> Path | None:
    """Return the headless browser that opens pages, else None."""
    return find_program("chromium", "chromium-browser")


def find_postgres_folder() -> Path | None:
    """Return the folder with PostgreSQL's initdb and postgres, else None.

    Debian keeps them off the search path, one folder a version; the newest is taken.
    """
    on_path = find_program("initdb")
    if on_path is not None:
        return on_path.resolve().parent
    versions = [place.parent for place in Path("/usr/lib/postgresql").glob("*/bin/initdb")]
    return max(versions, key=lambda folder: float(folder.parent.name), default=None)


def _lacks_ngspice() -> str:
    return "" if find_program("ngspice") else "ngspice is not installed"


def _lacks_browser() -> str:
    lacking = [
        name
        for name, place in (("chromium", find_browser()), ("pdftotext (poppler-utils)", find_program("pdftotext")))
        if place is None
    ]
    return f"not installed: {', '.join(lacking)}" if lacking else ""


def _lacks_postgres() -> str:
    lacking = [] if find_postgres_folder() else ["PostgreSQL (initdb)"]
    lacking += [] if importlib.util.find_spec("psycopg") else ["the Python driver psycopg"]
    return f"not installed: {', '.join(lacking)}" if lacking else ""


def _spares_the_long_ones(config: pytest.Config) -> str:
    """Return why the long tests are skipped, "" where they are to run."""
    named = any(word.partition("::")[0].endswith(".py") for word in config.args)
    asked = NO_SKIP or named or "thorough" in config.option.markexpr
    return "" if asked else "takes long; runs with make check, or by its file's name"


LACKS = {"needs_ngspice": _lacks_ngspice, "needs_browser": _lacks_browser, "needs_postgres": _lacks_postgres}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the long tables out unless they are asked for by name; skip what lacks its tool; put what takes long first.

    Two workers begin with half of the tests each, and who is ready takes from the end of the other's half: a long test must not
    be the last, and one whose set-up is dear must not be taken over to be set up anew.
    """
    if "evidence" not in config.option.markexpr:
        left_out = [item for item in items if item.get_closest_marker("evidence")]
        if left_out:
            config.hook.pytest_deselected(items=left_out)
            items[:] = [item for item in items if item not in left_out]
    for marker, lacks in LACKS.items():
        marked = [item for item in items if item.get_closest_marker(marker)]
        reason = lacks() if marked else ""
        for item in marked if reason else ():
            item.add_marker(pytest.mark.skip(reason=f"{marker}: {reason}"))
    long = [item for item in items if item.get_closest_marker("thorough")]
    if reason := _spares_the_long_ones(config) if long else "":
        for item in long:
            item.add_marker(pytest.mark.skip(reason=f"thorough: {reason}"))
    items.sort(key=lambda item: item.get_closest_marker("thorough") is None)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Outcome:
    """With TAPPROOF_NO_SKIP, count a skipped test as failed."""
    report = yield
    if NO_SKIP and report.skipped:
        if hasattr(report, "wasxfail"):
            report.longrepr = f"{FORBIDDEN}: expected to fail {report.wasxfail}"
            del report.wasxfail
        else:
            report.longrepr = f"{FORBIDDEN}: {_reason(report)}"
        report.outcome = "failed"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Collected:
    """With TAPPROOF_NO_SKIP, count a test file that skips itself as failed."""
    report = yield
    if NO_SKIP and report.skipped:
        report.longrepr = f"{FORBIDDEN}: {_reason(report)}"
        report.outcome = "failed"
    return report


def _reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    return report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
