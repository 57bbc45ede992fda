"""Bad input through the real command line: one clear message, the right exit status, and nothing half-written."""

from __future__ import annotations

import io
import os
import socket
import stat
import tempfile
from collections.abc import Iterator
from importlib.resources import files as package_files
from pathlib import Path
from typing import Any

import pytest

from tests.command_line import Program, files_under, write_bench


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def shipped(*parts: str, package: str = "harness") -> str:
    return package_files(package).joinpath(*parts).read_text(encoding="utf-8")


TYPE = shipped("data", "types", "hf30.toml")


def changed(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


def line_with(text: str, what: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), start=1) if what in line)


class Refusal:
    """Calls the program with words that it has to refuse, twice: for people, and with --json."""

    def __init__(self, program: Program, log: Path) -> None:
        self.program = program
        self.log = log

    def __call__(self, status: int, *words: object, log: bool = True, says: tuple[str, ...] = ()) -> dict[str, Any]:
        """Return the JSON error object, having seen that message and remedy are the same for people, and nothing is left."""
        ending = ("--log", self.log) if log else ()
        plain = self.program(*words, *ending)
        assert plain.status == status, plain.text
        assert plain.out == "" or plain.out.startswith("Six samplers")
        said = self.program(*words, *ending, "--json")
        assert said.status == status
        assert set(said.document) == {"error"}
        error: dict[str, Any] = said.document["error"]
        assert set(error) == {"kind", "message", "hint", "file", "line"}
        assert plain.err.count("tapproof: ") == 1
        assert f"tapproof: {error['message']}\n" in plain.err
        assert error["hint"], error
        assert f"→ {error['hint']}\n" in plain.err
        for word in says:
            assert word in f"{error['message']} {error['hint']}", error
        assert files_under(self.log) == []
        return error


@pytest.fixture
def refuse(program: Program, tmp_path: Path) -> Refusal:
    return Refusal(program, tmp_path / "log")


# -- type and bench files ------------------------------------------------------------------------------------------------------

BAD_TYPES = {
    "negative turns": ("turns = 32", "turns = -3", ("build.turns", "-3", "greater than or equal to 1"), "turns = "),
    "turns that are no number": ("turns = 32", 'turns = "many"', ("build.turns", "many", "integer"), "turns = "),
    "turns missing": ("turns = 32", "# none", ("build.turns is missing", "Add the key"), "[build]"),
    "a misspelt key": ("turns = 32", "turnz = 32", ("build.turnz is not a key of this file", "spelling"), "turnz = "),
    "an unknown table": ("[use]", "[uses]", ("uses",), "[uses]"),
    "low above high": ('low = "1.8 MHz"', 'low = "60 MHz"', ("low 60 MHz is not below high 54 MHz",), "[band]"),
    "no unit": ('low = "1.8 MHz"', 'low = "1.8"', ("band.low", "'1.8' has no unit", "Hz"), "low = "),
    "another unit": ('low = "1.8 MHz"', 'low = "1.8 dB"', ("band.low", "'1.8 dB'", "Hz is needed"), "low = "),
    "no quotes": ('low = "1.8 MHz"', "low = 1.8", ("band.low", "1.8", "Hz", "quotes"), "low = "),
    "no internal resistor": ('termination = "external"', 'termination = "internal"', ("internal_ohm is missing",), "[build]"),
    "a wire that is none": ("wire_awg = 24", "wire_awg = 99", ("build.wire_awg", "99", "less than or equal to 40"), "wire_awg"),
    "an SWR that is none": ("line_swr = 1.5", "line_swr = nan", ("use.line_swr", "nan"), "line_swr"),
    "a name that is none": ('name = "hf30"', 'name = "../x"', ("type.name", "../x"), "name = "),
}


@pytest.mark.parametrize("which", BAD_TYPES)
def test_a_type_file_is_refused_with_file_line_key_value_and_what_is_allowed(which: str, refuse: Refusal, tmp_path: Path) -> None:
    old, new, says, where = BAD_TYPES[which]
    path = tmp_path / "mine.toml"
    text = changed(TYPE, old, new)
    path.write_text(text, "utf-8")
    error = refuse(2, "prove", "U1", "--type", path, "--bench", "simulated-scpi", "--yes", says=(*says, str(path)))
    assert error["kind"] == "file"
    assert error["file"] == str(path)
    assert error["line"] == line_with(text, where)


BAD_BENCHES = {
    "points": ("points = 107", "points = 3", ("sweep.points", "3", "greater than or equal to 11"), "points"),
    "paths": ('"one-path"', '"three-path"', ("analyser.paths", "three-path", "one-path", "two-path"), "paths"),
    "spacing": ("points = 107", 'points = 107\nspacing = "odd"', ("sweep.spacing", "odd", "linear", "log"), "spacing"),
    "max age": ("max_age_hours = 8", "max_age_hours = -1", ("correction.max_age_hours", "-1", "greater than 0"), "max_age"),
    "unknown key": ("points = 107", "points = 107\nspeed = 3", ("sweep.speed is not a key of this file",), "speed"),
    "adapter": ('return_loss = "80 dB"', 'return_loss = "much"', ("return_loss", "much", "dB"), None),
}


@pytest.mark.parametrize("which", BAD_BENCHES)
def test_a_bench_file_is_refused_with_file_line_key_value_and_what_is_allowed(
    which: str, refuse: Refusal, tmp_path: Path
) -> None:
    old, new, says, where = BAD_BENCHES[which]
    path = write_bench(tmp_path)
    text = changed(path.read_text("utf-8"), old, new)
    path.write_text(text, "utf-8")
    for command in (("prove", "U1", "--type", "hf30"), ("calibrate",)):
        error = refuse(2, *command, "--bench", path, "--yes", says=(*says, str(path)))
        assert error["file"] == str(path)
        assert where is None or error["line"] == line_with(text, where)


def test_what_is_no_toml_is_refused_with_its_line(refuse: Refusal, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(changed(TYPE, "[build]", "[build"), "utf-8")
    refuse(2, "prove", "U1", "--type", path, "--bench", "simulated-scpi", says=("is not TOML", "line 9"))
    path.write_bytes(TYPE.encode() + b"\n# caf\xe9\n")
    error = refuse(2, "prove", "U1", "--type", path, "--bench", "simulated-scpi", says=("0xE9", "UTF-8"))
    assert error["line"] == TYPE.count("\n") + 2


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--type", "hf31", "--bench", "simulated-scpi"), ("'hf31' is not known", "hf30")),
        (("--type", "hf30", "--bench", "nope"), ("'nope' is not known", "simulated-scpi", "simulated-serial")),
    ],
)
def test_an_unknown_name_is_refused_with_those_that_are_known(
    words: tuple[str, ...], says: tuple[str, ...], refuse: Refusal
) -> None:
    refuse(2, "prove", "U1", *words, "--yes", says=says)


def test_files_that_cannot_be_read_are_told_as_such(refuse: Refusal, tmp_path: Path) -> None:
    refuse(2, "prove", "U1", "--type", tmp_path / "no.toml", "--bench", "simulated-scpi", says=("is not there",))
    refuse(2, "prove", "U1", "--type", f"{tmp_path}/", "--bench", "simulated-scpi", says=("is a folder",))
    refuse(2, "prove", "U1", "--type", "/dev/full", "--bench", "simulated-scpi", says=("no regular file",))


@pytest.fixture
def nobody() -> Iterator[Path]:
    """A folder of somebody whom permissions bind: an administrator becomes nobody for the time of the test."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        administrator = os.name != "nt" and os.geteuid() == 0
        if administrator:
            os.seteuid(65534)
        try:
            yield folder
        finally:
            if administrator:
                os.seteuid(0)
            for path in folder.rglob("*"):
                path.chmod(path.stat().st_mode | stat.S_IRWXU)


def test_a_file_that_may_not_be_read_is_told_as_such(program: Program, nobody: Path) -> None:
    path = nobody / "mine.toml"
    path.write_text(TYPE, "utf-8")
    path.chmod(0)
    refuse = Refusal(program, nobody / "log")
    refuse(2, "prove", "U1", "--type", path, "--bench", "simulated-scpi", says=("no permission to read", str(path)))


def test_a_log_folder_that_may_not_be_written_is_told_as_such(program: Program, nobody: Path) -> None:
    place = nobody / "locked"
    place.mkdir()
    place.chmod(0o555)
    refuse = Refusal(program, place / "log")
    refuse(3, "prove", "U1", "--type", "hf30", "--bench", "simulated-scpi", "--yes", says=("ermission denied", "writable"))


def test_a_folder_of_sweeps_that_may_not_be_read_is_told_as_such(program: Program, nobody: Path) -> None:
    place = nobody / "locked"
    place.mkdir()
    place.chmod(0)
    refuse = Refusal(program, nobody / "log")
    refuse(2, "prove", "U1", "--type", "hf30", "--from", place, says=("no permission to read the folder", str(place)))


def test_a_core_that_no_table_holds_is_refused(refuse: Refusal, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(changed(TYPE, "FT-50-43", "FT-99-43"), "utf-8")
    refuse(2, "prove", "U1", "--type", path, "--bench", "simulated-scpi", "--yes", says=("FT-99-43", "FT-50"))


def test_a_sweep_that_does_not_cover_the_band_is_refused_before_anything_connects(refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, high="30 MHz", address="socket://127.0.0.1:1")
    says = ("1 MHz to 30 MHz", "1.8 MHz to 54 MHz", "hf30", "[sweep]")
    refuse(2, "prove", "U1", "--type", "hf30", "--bench", bench, says=says)


def test_a_band_that_lies_between_two_points_is_refused_before_anything_connects(refuse: Refusal, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(changed(changed(TYPE, '"1.8 MHz"', '"50.1 MHz"'), '"54 MHz"', '"50.2 MHz"'), "utf-8")
    bench = write_bench(tmp_path, address="socket://127.0.0.1:1")
    says = ("0 points from 50.1 MHz to 50.2 MHz", "at least 2", "[sweep]")
    refuse(2, "prove", "U1", "--type", path, "--bench", bench, says=says)


def test_a_bench_that_corrects_itself_is_not_calibrated_here(refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path)
    bench.write_text(changed(bench.read_text(), "[correction]", '[correction]\nby = "analyser"'))
    for more in ("--yes", "--steps"):
        refuse(2, "calibrate", "--bench", bench, more, says=("corrects itself", "on the instrument"))


def test_a_fault_that_is_not_known_is_refused_with_those_that_are(refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, extra='[simulated.units."U1"]\nfault = "bad luck"')
    refuse(2, "prove", "U1", "--type", "hf30", "--bench", bench, "--yes", says=("bad luck", "double termination"))


# -- links ---------------------------------------------------------------------------------------------------------------------


def closed_port() -> int:
    """Return a loopback port on which nothing listens."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def test_an_address_that_does_not_answer_is_bench_trouble(refuse: Refusal, tmp_path: Path) -> None:
    port = closed_port()
    bench = write_bench(tmp_path, address=f"socket://127.0.0.1:{port}")
    for command in (("prove", "U1", "--type", "hf30"), ("calibrate",)):
        error = refuse(3, *command, "--bench", bench, says=(f"127.0.0.1:{port}", "nothing listens there"))
        assert error["kind"] == "link"


def test_a_serial_port_that_does_not_exist_is_bench_trouble(refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, address="serial:///dev/no-such-port", dialect="plain-serial")
    error = refuse(3, "prove", "U1", "--type", "hf30", "--bench", bench, says=("/dev/no-such-port", "no such device"))
    assert error["kind"] == "link"


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("carrier-pigeon://x", "is no kind of link"),
        ("socket://127.0.0.1", "a port from 1 to 65535"),
        ("serial:///dev/tty?baud=fast", "baud=fast is not a whole number"),
        ("simulated://smoke", "simulated://tcp"),
    ],
)
def test_an_address_that_is_none_is_wrong_usage(address: str, says: str, refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, address=address)
    refuse(2, "prove", "U1", "--type", "hf30", "--bench", bench, says=(says,))


def test_a_dialect_that_is_still_to_be_filled_in_is_refused_before_anything_connects(refuse: Refusal, tmp_path: Path) -> None:
    for address in ("simulated://tcp", f"socket://127.0.0.1:{closed_port()}"):
        bench = write_bench(tmp_path, dialect="scpi", address=address)
        error = refuse(2, "prove", "U1", "--type", "hf30", "--bench", bench, says=("still to be filled in", "manual"))
        assert error["kind"] == "file"
        text = shipped("dialects", "scpi.toml", package="drivers").splitlines()
        assert "FILL IN" in text[error["line"] - 1]


def test_a_dialect_file_is_looked_for_beside_the_bench_file(refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, dialect="mine.toml")
    refuse(2, "prove", "U1", "--type", "hf30", "--bench", bench, says=(f"{tmp_path / 'mine.toml'} is not there",))
    dialect = shipped("dialects", "scpi-simulated.toml", package="drivers")
    (tmp_path / "mine.toml").write_text(dialect + "\n[colours]\nred = 1\n", "utf-8")
    error = refuse(2, "prove", "U1", "--type", "hf30", "--bench", bench, says=("colours",))
    assert error["file"] == str(tmp_path / "mine.toml")


# -- the log folder ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", [("list",), ("show", "U1"), ("prove", "U1", "--type", "hf30", "--bench", "simulated-scpi")])
def test_a_log_folder_that_is_a_file_is_told_as_such(command: tuple[str, ...], refuse: Refusal, tmp_path: Path) -> None:
    (tmp_path / "a-file").write_text("x")
    error = refuse(3, *command, "--log", tmp_path / "a-file", log=False, says=("a-file", "--log"))
    assert error["kind"] == "store"
    assert (tmp_path / "a-file").read_text() == "x"


def test_a_log_that_is_no_log_is_told_as_such_and_left_alone(program: Program, tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").write_bytes(b"not a database, but a letter to somebody" * 100)
    said = program("list", "--log", tmp_path, "--json")
    assert said.status == 3
    assert said.document["error"]["kind"] == "store"
    assert (tmp_path / "log.sqlite").read_bytes().startswith(b"not a database")


def test_an_unknown_unit_is_told_with_where_to_look(refuse: Refusal) -> None:
    refuse(2, "show", "CL-0099", says=("CL-0099", "'tapproof list'"))


def test_an_empty_or_strange_log_address_is_wrong_usage(refuse: Refusal) -> None:
    refuse(2, "list", "--log", "", log=False, says=("--log",))
    refuse(2, "list", "--log", "ftp://x/y", log=False, says=("ftp://x/y", "postgresql://"))


# -- options -------------------------------------------------------------------------------------------------------------------

PROVE = ("prove", "--type", "hf30")
BAD_OPTIONS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "no type": (("prove", "U1", "--bench", "simulated-scpi"), ("--type",)),
    "no bench": ((*PROVE, "U1"), ("--bench B", "--from FOLDER")),
    "no unit": ((*PROVE, "--bench", "simulated-scpi"), ("which unit", "--next")),
    "next without a batch": ((*PROVE, "--bench", "simulated-scpi", "--next"), ("--next needs a batch", "--batch NAME")),
    "next for ever": ((*PROVE, "--bench", "simulated-scpi", "--next", "--batch", "X", "--yes"), ("never stop", "--count N")),
    "next and a unit": ((*PROVE, "U1", "--bench", "simulated-scpi", "--next", "--batch", "X"), ("'U1'",)),
    "next and a folder": ((*PROVE, "--from", "x", "--next", "--batch", "X"), ("--from",)),
    "count without next": ((*PROVE, "U1", "--bench", "simulated-scpi", "--count", "2"), ("--count goes with --next",)),
    "first without next": ((*PROVE, "U1", "--bench", "simulated-scpi", "--first", "A-1"), ("--first goes with --next",)),
    "count of none": ((*PROVE, "--next", "--batch", "X", "--count", "0", "--bench", "simulated-scpi"), ("--count", "1")),
    "no such sequence": ((*PROVE, "U1", "--bench", "simulated-scpi", "--sequence", "dance"), ("'dance'", "line-sampler-quick")),
    "a name that is none": ((*PROVE, "../U1", "--bench", "simulated-scpi", "--yes"), ("'../U1' is not a name", "letters")),
    "a first that is none": (
        (*PROVE, "--next", "--batch", "X", "--first", "a/b", "--count", "1", "--bench", "simulated-scpi", "--yes"),
        ("'a/b' is not a name",),
    ),
    "a batch that is none": ((*PROVE, "U1", "--bench", "simulated-scpi", "--yes", "--batch", "../x"), ("batch: '../x'",)),
    "a temperature that is none": ((*PROVE, "U1", "--bench", "simulated-scpi", "--yes", "--ambient", "nan"), ("nan °C", "100")),
    "a note that is no text": ((*PROVE, "U1", "--bench", "simulated-scpi", "--yes", "--note", "\udcff"), ("not UTF-8",)),
    "who is no text": ((*PROVE, "U1", "--from", "x", "--who", "\udcff"), ("not UTF-8",)),
    "steps of a folder": ((*PROVE, "U1", "--from", "x", "--steps"), ("--steps", "--from")),
    "no such option": ((*PROVE, "U1", "--colour", "red"), ("--colour",)),
    "no such command": (("bake",), ("bake",)),
}


@pytest.mark.parametrize("which", BAD_OPTIONS)
def test_wrong_options_are_wrong_usage(which: str, refuse: Refusal) -> None:
    words, says = BAD_OPTIONS[which]
    log = words[0] != "bake"
    error = refuse(2, *words, says=says, log=log)
    assert error["kind"] == "usage"


def test_yes_is_refused_on_a_real_bench_before_anything_connects(refuse: Refusal, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, address=f"socket://127.0.0.1:{closed_port()}")
    for command in (("prove", "U1", "--type", "hf30"), ("calibrate",)):
        refuse(2, *command, "--bench", bench, "--yes", says=("--yes answers for simulated benches only", "Run without --yes"))


def test_a_prompt_without_a_terminal_is_no_consent(refuse: Refusal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty newlines from a pipe answer nothing."""
    bench = write_bench(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO("\n" * 20))
    for command in (("prove", "U1", "--type", "hf30"), ("calibrate",)):
        refuse(2, *command, "--bench", bench, says=("Hook-up 1 of", "standard input is no terminal", "--yes"))


def test_control_characters_of_a_file_do_not_reach_the_terminal(program: Program, tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(changed(TYPE, 'line = "RG-303"', '"\\u001b[2Jline" = "RG-303"'), "utf-8")
    said = program("prove", "U1", "--type", path, "--bench", "simulated-scpi", "--log", tmp_path / "log")
    assert said.status == 2
    assert "\x1b" not in said.text
    assert "\\x1b[2Jline" in said.err


def test_ctrl_c_is_a_stop_with_one_message(program: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("harness.wiring.open_store", interrupted)
    said = program("list", "--log", tmp_path, "--json")
    assert said.status == 130
    assert said.document["error"]["kind"] == "stopped"
    said = program("list", "--log", tmp_path)
    assert said.status == 130
    assert "the finished sweeps are kept" in said.err
