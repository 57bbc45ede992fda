"""``bench check`` and ``bench find``: what works is told message by message, what does not with the line of the dialect file.

The noise that is measured is compared with the noise that the simulated receivers are given by the bench file.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from drivers.finding import serial_ports, visa_resources
from drivers.simulated.server import start
from harness.bench_wiring import line_of_message, noise_of
from harness.files import read_bench
from tests.command_line import Program, write_bench
from tests.fake_links import shipped


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


@pytest.mark.parametrize("dialect", ["plain-serial", "scpi-simulated"])
def test_every_message_works_and_the_noise_is_that_of_the_receivers(dialect: str, program: Program, tmp_path: Path) -> None:
    bench = write_bench(tmp_path, dialect=dialect)
    said = program("bench", "check", "--bench", bench, "--yes", "--json")
    assert said.status == 0
    messages = said.document["messages"]
    assert len(messages) == {"plain-serial": 9, "scpi-simulated": 24}[dialect]
    assert all(one["ok"] and one["seconds"] >= 0 and one["line"] for one in messages), messages
    # -90 dB for one point, ten averages: -100 dB. Of 8 sweeps x 107 points the spread is known to about 0.3 dB.
    for level in said.document["noise"]["trace_db"].values():
        assert level == pytest.approx(-100, abs=1)
    told = program("bench", "check", "--bench", bench, "--yes")
    assert "all work" in told.out
    assert told.out.count("works ") == len(messages)


def test_a_wrong_message_is_shown_with_its_line(program: Program, tmp_path: Path) -> None:
    text = (
        shipped("plain-serial")
        .replace('send = "forward"', 'send = "forwards"')
        .replace('"average {averages}"', '"mean {averages}"')
    )
    (tmp_path / "mine.toml").write_text(text, "utf-8")
    with start(read_bench(str(write_bench(tmp_path, dialect="plain-serial")))) as served:
        bench = write_bench(tmp_path, address=served.address, dialect="./mine.toml")
        said = program("bench", "check", "--bench", bench)
    assert said.status == 3, said.text
    for wrong in ("mean {averages}", "forwards"):
        line = next(number for number, each in enumerate(text.splitlines(), 1) if wrong in each)
        assert f"mine.toml, line {line})" in said.out, said.out
    assert "3 fail" in said.out  # the averages, not set, do not read back as asked for either


def test_a_dialect_that_is_none_is_told_with_its_line_before_anything_connects(program: Program, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(shipped("plain-serial").replace('style = "prompt"', 'style = "prompts"'), "utf-8")
    said = program("bench", "check", "--bench", write_bench(tmp_path, dialect="./mine.toml"), "--yes", "--json")
    assert said.status == 2
    assert said.document["error"]["line"] == 7


def test_lines_are_found_with_numbers_filled_in() -> None:
    text = shipped("scpi-simulated")
    for sent, written in (
        ("SENSe:FREQuency:STARt 1000000.0", "STARt {low}"),
        ("INITiate:IMMediate, *OPC?", "INITiate:IMMediate"),
    ):
        line = line_of_message(text, sent)
        assert line is not None
        assert written in text.splitlines()[line - 1]
    assert line_of_message(text, "nothing of the kind") is None


def test_noise_of_known_numbers() -> None:
    """Two sweeps a and -a: standard deviation a·sqrt(2) with one degree of freedom (GUM 4.2.2)."""
    one = {"s11": np.full(4, 0.001 + 0j), "s21": np.full(4, 0.01 + 0j)}
    found = noise_of([one, {"s11": -one["s11"], "s21": one["s21"]}], 1.0)  # type: ignore[list-item]
    assert found.trace_db["s11"] == pytest.approx(-60 + 10 * np.log10(2))
    assert found.floor_db == pytest.approx(-40)


@dataclass
class FakePort:
    device: str
    description: str = "n/a"
    manufacturer: str | None = None


def test_what_is_plugged_in_is_listed_as_addresses() -> None:
    ports = [FakePort("/dev/ttyUSB1", "Bench adapter", "Maker"), FakePort("/dev/ttyACM0")]
    found = serial_ports(lambda: ports)
    assert [one.address for one in found] == ["serial:///dev/ttyACM0", "serial:///dev/ttyUSB1"]
    assert [one.description for one in found] == ["", "Bench adapter (Maker)"]
    resources, why = visa_resources(lambda: ("TCPIP::192.0.2.7::INSTR", "ASRL/dev/ttyACM0::INSTR"))
    assert ([one.address for one in resources], why) == (["visa://TCPIP::192.0.2.7::INSTR"], "")

    def broken() -> tuple[str, ...]:
        raise OSError("no bus")

    assert visa_resources(broken) == ([], "no bus")


def test_find_runs_where_nothing_may_be_plugged_in(program: Program) -> None:
    said = program("bench", "find", "--json")
    assert said.status == 0
    assert set(said.document) == {"found", "visa"}
    assert program("bench", "find").out
