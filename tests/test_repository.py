"""What must hold for the tree as a whole. The expectations are the project's own rules (DEVELOPERS.md), no outside source."""

from __future__ import annotations

import ast
import importlib.metadata
import re
import subprocess
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import harness
from tools.check_wheel import faults_of

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("harness", "drivers", "sequences")
PLACES = (*PACKAGES, "fixtures", "tests", "tools", "requirements", ".ci")
MOST_LINES_OF_A_FILE = 400
MOST_LINES_OF_A_FUNCTION = 45

# Built from pieces, so that this file does not hold what it looks for.
REGISTRY_HOSTS = tuple(
    ".".join(pieces)
    for pieces in (
        ("pypi", "org"),
        ("pythonhosted", "org"),
        ("npmjs", "org"),
        ("npmjs", "com"),
        ("deb", "debian", "org"),
        ("anaconda", "org"),
        ("proxy", "golang", "org"),
    )
)
MACHINE_PATH = re.compile(
    r"(?<![\w.~*)\]}-])/(?:" + "|".join(["work", "root", "tmp", "home/" + r"\w+", "Users/" + r"\w+"]) + r")(?![\w-])"
)

# importlib.resources stays allowed: tables that ship inside the package are constants, not input.
IO_MODULES = frozenset(
    {
        "asyncio",
        "builtins",
        "ctypes",
        "fcntl",
        "getpass",
        "glob",
        "http",
        "locale",
        "logging",
        "multiprocessing",
        "os",
        "pathlib",
        "platform",
        "pty",
        "queue",
        "random",
        "readline",
        "select",
        "selectors",
        "shutil",
        "signal",
        "socket",
        "socketserver",
        "sqlite3",
        "ssl",
        "subprocess",
        "sys",
        "tempfile",
        "termios",
        "threading",
        "time",
        "tty",
        "urllib",
        "uuid",
        "webbrowser",
    }
)
IO_CALLS = frozenset({"open", "print", "input", "breakpoint", "exec", "eval"})
CLOCK_CALLS = frozenset({"now", "utcnow", "today"})


def _files_of_the_tree() -> list[Path]:
    """What git holds; where there is no git or nothing is added yet, everything in the places that the project uses."""
    try:
        command = ["git", "ls-files", "-z"]
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, check=True, text=True).stdout.split("\0")
    except (OSError, subprocess.CalledProcessError):
        listed = []
    files = [ROOT / name for name in listed if name]
    if not files:
        folders = (ROOT / name for name in PLACES)
        files = [path for folder in folders for path in folder.rglob("*") if "__pycache__" not in path.parts]
        files += [
            path
            for path in ROOT.iterdir()
            if path.suffix in (".md", ".toml") or path.name in ("Makefile", "LICENSE", ".gitignore")
        ]
    return sorted(path for path in files if path.is_file())


def _sources() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


@cache
def _tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def _name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@cache
def _contract(kind: str) -> dict[str, Any]:
    """The one import contract of this kind."""
    (contract,) = [found for found in _pyproject()["tool"]["importlinter"]["contracts"] if found["type"] == kind]
    return dict(contract)


def _is_pure(path: Path) -> bool:
    """Whether the contract "The core does no I/O" names this module or a package that holds it."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    pure = _contract("forbidden")["source_modules"]
    return any(".".join(parts[:count]) in pure for count in range(1, len(parts) + 1))


def _functions(path: Path) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    return (node for node in ast.walk(_tree_of(path)) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef))


def _imported_top_modules(tree: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name.partition(".")[0]) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.lineno, node.module.partition(".")[0]


def _io_calls(tree: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Name(id=called)) if called in IO_CALLS:
                yield node.lineno, called
            case ast.Call(func=ast.Attribute(attr=called, value=ast.Name(id="datetime" | "date"))) if called in CLOCK_CALLS:
                yield node.lineno, f"datetime.{called}"


def _pins(name: str) -> dict[str, str]:
    """Canonical name → version of one requirements file and of those it includes; fails on anything that is not a pin."""
    pins: dict[str, str] = {}
    for line in (ROOT / "requirements" / name).read_text(encoding="utf-8").splitlines():
        if not line or line.startswith("#"):
            continue
        if included := re.fullmatch(r"-r (\w+\.txt)", line):
            more = _pins(included[1])
        else:
            pinned = re.fullmatch(r"([A-Za-z0-9][A-Za-z0-9._-]*)==([0-9][0-9a-z.]*)", line)
            assert pinned, f"requirements/{name}: not a pin NAME==VERSION: {line!r}"
            more = {canonicalize_name(pinned[1]): pinned[2]}
        for pin, version in more.items():
            assert pins.setdefault(pin, version) == version, f"requirements/{name}: {pin} is pinned to two versions"
    return pins


def _pyproject() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def _dependencies() -> list[str]:
    return list(_pyproject()["project"]["dependencies"])


def test_no_file_names_a_registry_host_or_a_machine_path() -> None:
    found = []
    files = _files_of_the_tree()
    assert ROOT / "pyproject.toml" in files
    for path in files:
        text = path.read_bytes().decode("latin-1")
        found += [f"{_name(path)}: {host}" for host in REGISTRY_HOSTS if host in text.lower()]
        for number, line in enumerate(text.splitlines(), start=1):
            found += [f"{_name(path)}:{number}: {match[0]}" for match in MACHINE_PATH.finditer(line)]
    assert found == []


@pytest.mark.parametrize("text", ["cd /{}", "'/{}/main/x.py'", "file:///{}/a", "PATH=/{}/bin", "(/{}/x)"])
@pytest.mark.parametrize("folder", ["work", "root", "tmp", "home/someone"])
def test_a_machine_path_is_recognised(text: str, folder: str) -> None:
    assert MACHINE_PATH.search(text.format(folder))


@pytest.mark.parametrize("text", ["real/{}", "../{}/x", "harness/{}.py", "(a+b)/{}", "mean/{} of squares", "/{}ing", "Z*/{}"])
@pytest.mark.parametrize("folder", ["work", "root", "tmp"])
def test_a_quotient_or_a_relative_path_is_no_machine_path(text: str, folder: str) -> None:
    assert not MACHINE_PATH.search(text.format(folder))


def test_files_stay_short() -> None:
    lengths = {_name(path): len(path.read_text(encoding="utf-8").splitlines()) for path in _sources()}
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES_OF_A_FILE} == {}


def test_functions_stay_short() -> None:
    lengths = {
        f"{_name(path)}:{node.lineno} {node.name}": node.end_lineno - node.lineno + 1
        for path in _sources()
        for node in _functions(path)
        if node.end_lineno is not None
    }
    assert {name: lines for name, lines in lengths.items() if lines > MOST_LINES_OF_A_FUNCTION} == {}


def test_everything_public_says_what_it_is() -> None:
    silent = []
    for path in _sources():
        tree = _tree_of(path)
        silent += [] if ast.get_docstring(tree) else [_name(path)]
        public = [
            node
            for node in tree.body
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) and not node.name.startswith("_")
        ]
        silent += [f"{_name(path)}:{node.lineno} {node.name}" for node in public if not ast.get_docstring(node)]
    assert silent == []


def test_the_core_is_found() -> None:
    pure = {_name(path) for path in _sources() if _is_pure(path)}
    assert {"harness/quantities.py", "harness/records/sweep.py", "harness/runner.py", "sequences/__init__.py"} <= pure
    assert not {"harness/wiring.py", "harness/cli/__init__.py", "drivers/transport.py", "drivers/__init__.py"} & pure


def test_the_core_imports_nothing_that_does_io() -> None:
    found = [
        f"{_name(path)}:{line} imports {module}"
        for path in _sources()
        if _is_pure(path)
        for line, module in _imported_top_modules(_tree_of(path))
        if module in IO_MODULES
    ]
    assert found == []


def test_the_core_calls_nothing_that_does_io() -> None:
    found = [
        f"{_name(path)}:{line} calls {called}"
        for path in _sources()
        if _is_pure(path)
        for line, called in _io_calls(_tree_of(path))
    ]
    assert found == []


@pytest.mark.parametrize(
    "text",
    ["import os.path", "from pathlib import Path", "import socket as s", "def f():\n    import time", "from os import path"],
)
def test_an_import_that_does_io_is_seen(text: str) -> None:
    assert any(module in IO_MODULES for _, module in _imported_top_modules(ast.parse(text)))


@pytest.mark.parametrize("text", ["open('x')", "print(1)", "datetime.now()", "x = date.today()"])
def test_a_call_that_does_io_is_seen(text: str) -> None:
    assert list(_io_calls(ast.parse(text)))


def test_every_module_of_harness_has_its_place_in_the_import_order() -> None:
    placed = {name.strip("() ") for layer in _contract("layers")["layers"] for name in layer.split("|")}
    entries = (ROOT / "harness").iterdir()
    modules = {f"harness.{path.stem}" for path in entries if path.suffix == ".py" or (path / "__init__.py").exists()}
    assert modules - {"harness.__init__", "harness.__main__", "harness.data"} - placed == set()


def test_the_data_folder_holds_no_code() -> None:
    assert [path.name for path in (ROOT / "harness" / "data").rglob("*.py")] in ([], ["__init__.py"])


def test_the_version_is_said_once() -> None:
    assert _pyproject()["project"]["version"] == harness.__version__


@pytest.mark.parametrize("name", ["run.txt", "build.txt", "test.txt", "check.txt"])
def test_requirements_are_pins(name: str) -> None:
    assert _pins(name)


def test_each_requirements_file_includes_the_one_before() -> None:
    run, test, check = (_pins(name).items() for name in ("run.txt", "test.txt", "check.txt"))
    assert run < test < check


def test_the_pins_meet_what_the_project_asks_for() -> None:
    pins = _pins("run.txt")
    unmet = [
        text
        for text in _dependencies()
        if not (asked := Requirement(text)).specifier.contains(pins.get(canonicalize_name(asked.name), "0"))
    ]
    assert unmet == []


@pytest.mark.parametrize(("name", "tops"), [("run.txt", None), ("test.txt", ("pytest", "pytest-xdist", "hypothesis", "GTC"))])
def test_what_the_pins_need_in_turn_is_pinned_too(name: str, tops: tuple[str, ...] | None) -> None:
    pins = _pins(name)
    seen: set[tuple[str, ...]] = set()
    waiting = [Requirement(text) for text in tops or _dependencies()]
    while waiting:
        asked = waiting.pop()
        key = (canonicalize_name(asked.name), *sorted(asked.extras))
        if key in seen or not (asked.marker is None or asked.marker.evaluate({"extra": ""})):
            continue
        seen.add(key)
        waiting += [Requirement(text) for text in importlib.metadata.requires(asked.name) or ()]
    assert {name for name, *_ in seen} - pins.keys() == set()


@pytest.mark.parametrize(
    ("held", "fault"),
    [
        (["harness/a.py", "harness/data/b.toml", "tapproof-0.1.0.dist-info/METADATA"], []),
        (["harness/a.py", "tapproof-0.1.0.dist-info/METADATA"], ["missing from the wheel: harness/data/b.toml"]),
        (["harness/a.py", "harness/data/b.toml", "tests/test_a.py"], ["does not belong in the wheel: tests/test_a.py"]),
    ],
)
def test_a_wheel_with_a_file_too_few_or_too_many_is_refused(held: list[str], fault: list[str]) -> None:
    assert faults_of(held, {"harness/a.py", "harness/data/b.toml"}) == fault
