"""Reading the files that people write. Expectations: the project's own rules, no outside source."""

from __future__ import annotations

import math
import os
from contextlib import chdir
from pathlib import Path

import pytest

from harness.errors import FileError, UsageError
from harness.files import (
    LogAddress,
    folder_beside,
    log_address,
    log_folder,
    read_bench,
    read_data_text,
    read_dialect_text,
    read_text,
    read_type,
    shipped_names,
)

HF30 = read_data_text("types/hf30.toml")
BENCHES = ("simulated-scpi", "simulated-serial", "simulated-two-path")


def test_the_shipped_type_is_the_one_of_the_description() -> None:
    shipped = read_type("hf30")
    assert (shipped.name, shipped.build.turns, shipped.build.core, shipped.build.termination) == (
        "hf30",
        32,
        "FT-50-43",
        "external",
    )
    assert shipped.band_hz == (1.8e6, 54e6)
    assert (shipped.tolerance.coupling, shipped.tolerance.coupling_error) == (30.0, 1.0)
    # an ideal current transformer of N turns, its winding on one 50 ohm load, couples 20·log10(N) below a 50 ohm line
    # (common practice, no source); the type's nominal coupling must agree with its turns
    assert abs(20 * math.log10(shipped.build.turns) - shipped.tolerance.coupling) < shipped.tolerance.coupling_error


@pytest.mark.parametrize(
    ("name", "paths", "address", "dialect"),
    [
        ("simulated-serial", "one-path", "simulated://pty", "plain-serial"),
        ("simulated-scpi", "one-path", "simulated://tcp", "scpi-simulated"),
        ("simulated-two-path", "two-path", "simulated://tcp", "scpi-simulated"),
    ],
)
def test_the_shipped_benches(name: str, paths: str, address: str, dialect: str) -> None:
    bench = read_bench(name)
    assert (bench.name, bench.analyser.paths, bench.analyser.address) == (name, paths, address)
    assert bench.analyser.dialect == dialect
    assert (bench.grid.points, bench.grid.low_hz, bench.grid.high_hz) == (201, 1e6, 100e6)
    assert all(bench.loads[load].measured for load in ("A", "B"))
    adapter = bench.adapter_for("UHF")
    assert adapter is not None
    assert adapter.delay == pytest.approx(150e-12)
    assert bench.is_simulated
    assert bench.simulated is not None


def test_every_key_of_a_shipped_file_has_a_comment_or_needs_none() -> None:
    """A person copies these files: every line with a value says what it is, or the key says it (title, measured …)."""
    plain = {"title", "measured", "return_loss", "resistance", "loss"}
    for name in ("types/hf30.toml", *(f"benches/{bench}.toml" for bench in BENCHES)):
        lines = [line for line in read_data_text(name).splitlines() if "=" in line and not line.startswith("#")]
        silent = [line for line in lines if "#" not in line and line.split("=")[0].strip() not in plain]
        assert silent == []


def test_a_file_is_read_by_its_path_and_a_shipped_name_wins_over_a_bare_file(tmp_path: Path) -> None:
    mine = tmp_path / "mine.toml"
    mine.write_text(HF30.replace('name = "hf30"', 'name = "mine"'))
    assert read_type(str(mine)).name == "mine"
    bare = tmp_path / "hf30"
    bare.write_text(HF30.replace('name = "hf30"', 'name = "bare"'))
    assert read_type(str(bare)).name == "bare"
    with chdir(tmp_path):
        assert read_type("hf30").name == "hf30"
        assert read_type("./hf30").name == "bare"


@pytest.mark.parametrize(("read", "listed"), [(read_type, "hf30"), (read_bench, "simulated-serial")])
def test_an_unknown_name_lists_what_there_is(read: object, listed: str) -> None:
    assert callable(read)
    with pytest.raises(UsageError, match="'hf3' is not known") as caught:
        read("hf3")
    assert listed in caught.value.hint


def test_a_missing_file_a_folder_and_no_regular_file_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is not there; a type file is needed"):
        read_type(str(tmp_path / "no.toml"))
    with pytest.raises(FileError, match="is a folder"):
        read_type(f"{tmp_path}/")
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    with pytest.raises(FileError, match="no regular file"):  # and it does not wait for a writer
        read_type(str(pipe))
    with pytest.raises(FileError, match="cannot be read"):
        read_type("nul\0byte.toml")
    with pytest.raises(FileError):
        read_type("x" * 5000 + ".toml")
    with pytest.raises(FileError, match="home folder"):
        read_type("~nobody-of-this-name/x.toml")
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="cannot be read"):
        read_type(str(tmp_path / "file" / "x.toml"))


def test_text_is_bounded_and_strictly_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(b"x" * 101)
    with pytest.raises(FileError, match="more than 100 bytes; that is no bench file"):
        read_text(path, "a bench file", 100)
    assert read_text(path, "a bench file", 101) == "x" * 101
    path.write_bytes(b"# first\n# 50 \xb5s\n")
    with pytest.raises(FileError, match="line 2: the byte 0xB5 is not UTF-8") as caught:
        read_text(path, "a bench file")
    assert caught.value.line == 2
    path.write_bytes(b"\xef\xbb\xbf" + HF30.encode())
    assert read_type(str(path)).name == "hf30"


def test_a_mistake_in_a_file_names_file_line_and_key(tmp_path: Path) -> None:
    path = tmp_path / "t.toml"
    path.write_text(HF30.replace("turns = 32", "turns = -3"))
    with pytest.raises(FileError, match=r"build\.turns") as caught:
        read_type(str(path))
    assert caught.value.line == 1 + HF30[: HF30.index("turns = 32")].count("\n")


def test_a_dialect_beside_the_bench_file_is_found(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("[dialect]\n")
    bench = tmp_path / "bench.toml"
    text, source = read_dialect_text("own.toml", bench)
    assert text == "[dialect]\n"
    assert source == str(tmp_path / "own.toml")
    assert folder_beside("simulated-serial") == folder_beside(None) == Path()
    with pytest.raises(UsageError, match="dialect 'own2' is not known"):
        read_dialect_text("own2", bench)


def test_the_dialects_of_the_shipped_benches_are_shipped() -> None:
    for bench in BENCHES:
        text, source = read_dialect_text(read_bench(bench).analyser.dialect, bench)
        assert text
        assert "shipped dialect" in source
    assert set(shipped_names("bench")) == set(BENCHES)


def test_a_missing_file_of_the_program_is_told() -> None:
    with pytest.raises(FileError, match=r"own file none\.toml is missing"):
        read_data_text("none.toml")


def test_the_log_folder_is_the_option_then_the_variable_then_the_platforms() -> None:
    assert log_folder("a/b", {"TAPPROOF_LOG": "c"}) == Path("a/b")
    assert log_folder(None, {"TAPPROOF_LOG": "c"}) == Path("c")
    assert log_folder(None, {"TAPPROOF_LOG": " "}) == log_folder(None, {})
    assert log_folder(None, {}).name == "tapproof"
    assert log_folder("~/log", {}) == Path.home() / "log"


def test_a_database_address_keeps_its_folder_for_the_files() -> None:
    shared = "postgresql://bench@192.0.2.7/log"
    assert log_address(shared, {"TAPPROOF_LOG": "c"}) == LogAddress(Path("c"), shared)
    assert log_address(None, {"TAPPROOF_LOG": shared}) == LogAddress(log_folder(None, {}), shared)
    assert log_address("c", {}) == LogAddress(Path("c"), None)


@pytest.mark.parametrize("option", ["", "  ", "mysql://host/log", "http://host/"])
def test_a_log_that_cannot_be_is_refused(option: str) -> None:
    with pytest.raises(UsageError, match="--log"):
        log_folder(option, {})
