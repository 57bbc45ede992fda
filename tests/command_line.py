"""The program as a person calls it: words in; exit status, standard output, standard error out. And benches to call it with."""

from __future__ import annotations

import io
import json
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from harness.cli import main

BENCH = """
[bench]
name = "{name}"

[analyser]
address = "{address}"
dialect = "{dialect}"
paths = "{paths}"
connector = "BNC"
timeout_margin = "60 s"

[sweep]
low = "{low}"
high = "{high}"
points = {points}
averages = 10
point_time = "0.2 ms"

[correction]
max_age_hours = 8
verify_within = "{verify_within}"

[[adapters]]
cable = "BNC"
unit = "UHF"
delay = "60 ps"
return_loss = "80 dB"

[simulated]
seed = {seed}
noise = "-90 dB"
ideal_connectors = true
{extra}
"""
"""Noise of -90 dB and ten averages: -100 dB after averaging. The margin is that of a machine that has much else to do."""

USUAL: dict[str, Any] = {
    "name": "acceptance",
    "address": "simulated://tcp",
    "dialect": "scpi-simulated",
    "paths": "one-path",
    "low": "1 MHz",
    "high": "54 MHz",
    "points": 107,
    "verify_within": "40 dB",
    "seed": 7,
    "extra": "",
}


def write_bench(folder: Path, file: str = "bench.toml", **changes: Any) -> Path:
    """Write a bench file, the usual one with ``changes``, and return its path."""
    path = folder / file
    path.write_text(BENCH.format(**{**USUAL, **changes}), "utf-8")
    return path


@dataclass(frozen=True)
class Said:
    """What one call of the program gave."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document on standard output; fails where anything else stands there."""
        return json.loads(self.out)

    @property
    def text(self) -> str:
        """Both outputs."""
        return self.out + self.err


PROVING = ("prove", "recheck")


def called(*words: object) -> Said:
    """Run the program for a fixture that several tests share, and return what it said."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err), pytest.raises(SystemExit) as caught:
        main([str(word) for word in words])
    return Said(int(caught.value.code or 0), out.getvalue(), err.getvalue())


class Program:
    """Calls the program in this process. Faults of a unit are looked for with ``diagnosis`` only: that takes seconds a proof."""

    def __init__(self, capsys: pytest.CaptureFixture[str], *, diagnosis: bool = False) -> None:
        self._capsys = capsys
        self._diagnosis = diagnosis

    def __call__(self, *words: object) -> Said:
        """Run the program and return what it said. Nothing may look like a fault of the program."""
        spared = words[:1] and words[0] in PROVING and not self._diagnosis
        self._capsys.readouterr()
        with pytest.raises(SystemExit) as caught:
            main([*map(str, words), *(("--no-diagnosis",) if spared else ())])
        heard = self._capsys.readouterr()
        said = Said(int(caught.value.code or 0), heard.out, heard.err)
        assert "Traceback" not in said.text
        assert "fault in the program" not in said.text, said.text
        return said


def files_under(folder: Path) -> list[str]:
    """Return the files under a folder, but for the database's own, sorted; an empty list where the folder is not there."""
    found = (path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    return sorted(name for name in found if not name.startswith("log.sqlite"))
