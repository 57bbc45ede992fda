"""Where things are written, listened and run: nothing outside the target folder, loopback only, nothing from a file executed.

Hostile archives: test_log_archive.py; hostile names on pages: the tests of sheets and page; pickles: test_touchstone.py.
"""

from __future__ import annotations

import ast
import ipaddress
import json
import socket
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from drivers.dialect import parse_dialect
from drivers.simulated.server import KINDS, start
from harness.errors import FileError, TapproofError, UsageError
from harness.files import check_name, folder_name, read_bench
from harness.log.manifest import parse_manifest
from harness.records import parse_bench, parse_proof, parse_type
from tests.command_line import write_bench

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("harness", "drivers", "sequences")


@pytest.mark.parametrize("kind", KINDS)
def test_the_simulated_servers_listen_on_loopback_only(kind: str, tmp_path: Path) -> None:
    bench = read_bench(str(write_bench(tmp_path)))
    with start(bench, link=kind) as served:
        host = served.address.split("::")[1] if kind == "hislip" else urlsplit(served.address).hostname
        if kind == "pty":
            assert served.address.startswith("serial:///dev/")
            return
        assert host is not None
        assert ipaddress.ip_address(host).is_loopback
        port = int(served.address.split(",")[1].split("::")[0]) if kind == "hislip" else urlsplit(served.address).port
        for other in addresses_of_this_machine():
            with socket.socket() as caller:
                caller.settimeout(2)
                assert caller.connect_ex((other, int(port or 0))) != 0, other


def addresses_of_this_machine() -> list[str]:
    """The addresses of this machine that are none of the loopback; may be empty."""
    try:
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
    except OSError:
        return []
    return sorted({str(entry[4][0]) for entry in found if not ipaddress.ip_address(entry[4][0]).is_loopback})


def test_every_server_in_the_source_is_bound_to_loopback() -> None:
    """No call that binds or listens names another address, in any of the packages."""
    seen = 0
    for path in sources():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("create_server", ".bind")):
                seen += 1
                said = ast.unparse(node)
                assert "127.0.0.1" in said or "LOOPBACK" in said.upper() or "HOST" in said, f"{path}: {said}"
        text = path.read_text("utf-8")
        assert "0.0.0.0" not in text, path  # noqa: S104
    assert seen >= 2


def test_nothing_from_a_file_can_be_executed() -> None:
    """No loader that runs what it reads: pickle, marshal, shelve, eval, exec, yaml, a shell, arrays with objects."""
    for path in sources():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import | ast.ImportFrom):
                names = {alias.name.split(".")[0] for alias in node.names} | {(getattr(node, "module", "") or "").split(".")[0]}
                assert not names & {"pickle", "marshal", "shelve", "yaml", "subprocess", "dill"}, f"{path}: {ast.unparse(node)}"
            if isinstance(node, ast.Call):
                called = ast.unparse(node.func)
                assert called not in ("eval", "exec", "os.system", "os.popen"), f"{path}: {called}"
                said = ast.unparse(node)
                assert "allow_pickle=True" not in said, path
                assert "shell=True" not in said, path


def sources() -> list[Path]:
    return [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


HOSTILE_NAMES = [
    "../x",
    "..",
    ".",
    "",
    "/etc/x",
    "a/b",
    "a\\b",
    "C:x",
    "x\x00y",
    "x\x1b[2J",
    "\u202ex",
    "x" * 300,
    "x\n",
    "\ud800",
]


@pytest.mark.parametrize("name", HOSTILE_NAMES)
def test_a_unit_name_becomes_a_folder_within_or_is_refused(name: str, tmp_path: Path) -> None:
    try:
        check_name(name)
    except UsageError:
        return
    folder = folder_name(name)
    assert "/" not in folder
    assert "\\" not in folder
    assert (tmp_path / folder).resolve().parent == tmp_path.resolve()


@pytest.mark.parametrize("name", ["CON", "nul.txt", "COM1", "lpt9.x", "aux"])
def test_names_of_devices_never_stand_alone_as_a_folder(name: str) -> None:
    """Reserved names of Windows (its documentation of file names); as folders they would open a device."""
    try:
        folder = folder_name(name)
    except UsageError:
        return
    assert folder.split(".")[0].upper() not in {
        "CON",
        "PRN",
        "AUX",
        "NUL",
        *(f"{d}{n}" for d in ("COM", "LPT") for n in range(10)),
    }


DEEP = "[" * 100_000


@pytest.mark.parametrize(
    "deep", [f"a = {DEEP}", f"a = {'{a = ' * 50_000}", ".".join(["a"] * 20_000) + " = 1", "[" + ".".join(["a"] * 20_000) + "]"]
)
def test_deep_toml_is_refused_in_bounded_stack(deep: str) -> None:
    for parse in (parse_bench, parse_type, parse_dialect):
        with pytest.raises(FileError):
            parse(deep, "deep.toml")


def test_long_toml_is_refused_before_it_is_parsed() -> None:
    with pytest.raises(FileError, match="characters; at most"):
        parse_bench("#" * 1_000_000, "long.toml")


@pytest.mark.parametrize(
    "text", [DEEP, '{"a":' * 100_000, "1" * 1_000_000, "NaN", '"\\ud800"', json.dumps({"proofs": [[]] * 10_000})]
)
def test_deep_and_strange_json_is_refused(text: str) -> None:
    for parse in (parse_proof, parse_manifest):
        with pytest.raises(TapproofError):
            parse(text, "x.json")
