"""``tapproof reading``, as a person asks for it. No outside source but the levels, which test_reading_levels.py holds."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.main import get_command

from harness.analysis.reading.limit_file import parse_limits
from harness.bench_making.ports import Question
from harness.cli import app
from harness.errors import UsageError
from harness.log import open_log
from harness.proving import Records
from harness.readings import level_of, open_unit
from harness.records import HookUp
from tests.batch_records import file_proof
from tests.command_line import Program
from tests.reading_units import internal_type
from tests.sheet_records import drift, failed_proof, unit_proof

UNIT = "CL-0007"


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with a unit that conforms, one with a resistor inside, and one that is loaded twice."""
    root = tmp_path_factory.mktemp("readings")
    with open_log(root) as log:
        file_proof(log, unit_proof())
        file_proof(log, unit_proof("CL-0008", proof="inside0000", type=internal_type()))
        file_proof(log, failed_proof("CL-0004").model_copy(update={"proof": "failed0000"}))
    return root


class Ask:
    """Calls ``tapproof reading`` on that log."""

    def __init__(self, program: Program, root: Path) -> None:
        self._program, self._root = program, root

    def __call__(self, *words: object, unit: str = UNIT) -> str:
        said = self._program("reading", unit, *words, "--log", self._root)
        assert said.status == 0, said.err
        assert said.err == ""
        return " ".join(said.out.split())

    def document(self, *words: object, unit: str = UNIT) -> Any:
        said = self._program("reading", unit, *words, "--log", self._root, "--json")
        assert said.status == 0, said.out
        assert said.err == ""
        return json.loads(said.out)

    def refused(self, *words: object, unit: str = UNIT) -> dict[str, Any]:
        said = self._program("reading", unit, *words, "--log", self._root, "--json")
        assert said.status == 2, said.text
        error: dict[str, Any] = said.document["error"]
        return error


@pytest.fixture
def ask(program: Program, root: Path) -> Ask:
    return Ask(program, root)


def test_a_reading_says_all_that_it_rests_on(ask: Ask) -> None:
    said = ask("--at", "7.1MHz", "--level", "20 dBm", "--line-swr", "1.2", "--accuracy", "0.5dB")
    assert said.startswith("CL-0007 at 7.1 MHz: 20 dBm (mean) out of the sample port 100 mW (2.24 V r.m.s.) into 50 ohm")
    for words in (
        "coupling 30.10 dB (30.00 to 30.20 dB)",
        "whatever the line SWR",
        "may be off by ± 0.79 dB at the extremes",
        "the line SWR, 1.2 (stated)",
        "Delivered power is forward power less what comes back",
        "the unit's proof ± 0.1",
        "the instrument ± 0.4",
        "mismatch at the sample port",
        "From proof ab12cd34ef56 of 2024-05-04",
        "no recheck yet",
        "Never take the load off the sample port under power",
        "peak envelope power follows with --waveform",
    ):
        assert words in said, words


def test_the_document_holds_the_same(ask: Ask) -> None:
    found = ask.document("--at", "7100kHz", "--level", "2Vpp", "--waveform", "two-tone", "--into", "tee", "--pad", "20dB±0.3dB")
    assert found["at_hz"] == 7.1e6
    assert found["level"]["meaning"] == "peak-to-peak"
    assert found["level"]["port_w"] == pytest.approx(1.0, rel=0.01)
    crest, mean = (found[name]["delivered_w"]["value"] for name in ("crest", "mean"))
    assert 10 * np.log10(crest / mean) == pytest.approx(3.0103, abs=1e-4)
    assert crest == pytest.approx(1023.3, rel=0.01)  # 1 W and 30.1 dB
    assert set(found["crest"]) == {"current_a", "voltage_v", "forward_w", "delivered_w"}
    low, value, high = (found["crest"]["current_a"][name] for name in ("low", "value", "high"))
    assert low < value < high
    assert found["line_swr"] == {"value": 1.5, "from": "type", "most_off_db": pytest.approx(1.7609, abs=1e-4)}
    assert {share["input"] for share in found["budget_of_current"]} >= {"the unit's proof", "pads", "mismatch at the sample port"}
    assert found["proof"]["decision"] == "conforms"


def test_am_has_its_depth(ask: Ask) -> None:
    found = ask.document("--at", "7.1 MHz", "--level", "10 dBm", "--waveform", "am", "--depth", "100%")
    ratio = found["crest"]["forward_w"]["value"] / found["mean"]["forward_w"]["value"]
    assert ratio == pytest.approx(4 / 1.5)


def test_a_trace_is_read_for_crest_and_mean(ask: Ask, tmp_path: Path) -> None:
    seconds = np.arange(4000) / (40 * 7.1e6)
    volts = (1 + 0.5 * np.cos(2 * np.pi * 7.1e4 * seconds)) * np.cos(2 * np.pi * 7.1e6 * seconds)
    path = tmp_path / "trace.csv"
    path.write_text("time (s),voltage (V)\n" + "".join(f"{t:.12e},{v:.6f}\n" for t, v in zip(seconds, volts, strict=True)))
    found = ask.document("--at", "7.1MHz", "--trace", path)
    ratio = found["crest"]["delivered_w"]["value"] / found["mean"]["delivered_w"]["value"]
    assert ratio == pytest.approx(2.25 / 1.125, rel=2e-3)  # AM of 50 %


@pytest.mark.parametrize(
    ("words", "says", "hint"),
    [
        (("--at", "7.1MHz", "--level", "0.8 V"), "peak-to-peak, peak or r.m.s.", "Vpp"),
        (("--at", "7.1MHz", "--level", "1,5 V"), "comma", "Use a point"),
        (("--level", "20 dBm"), "needs its frequency", "--at"),
        (("--at", "7.1", "--level", "20 dBm"), "no unit", "7.1 MHz"),
        (("--at", "7,1MHz", "--level", "20 dBm"), "comma", "point"),
        (("--at", "1e300Hz", "--level", "20 dBm"), "100 GHz", "7.1MHz"),
        (("--power", "1e300W"), "more than", "100W"),
        (("--power", "5W", "--pad", "150dB", "--pad", "150dB"), "together more than 200 dB", "pads"),
        ((), "nothing is asked", "--safe"),
        (("--safe", "--table"), "two questions", "one after the other"),
        (("--table", "--limit", "30 dBm"), "--limit goes with --safe or --power only", "Leave"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--power", "5W"), "--power does not go with --level", "--log-reading"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--into", "75ohm"), "--into: '75ohm'", "tee"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--into", "1Mohm"), "externally terminated", "--into tee"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--pad", "20"), "no unit", "dB"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--pad", "-3dB"), "no pad", "20dB"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--pad", "20dB±1dB±1dB"), "one tolerance", "20dB"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--cable", "RG-999 1m"), "not in the tables", "RG-303"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--cable", "RG-58 2m"), "the loss of RG-58 is not", "0.4dB"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--line-swr", "0.5"), "not from 1 to 100", "1.5"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--input-swr", "1.2", "--input-return-loss", "26dB"), "same thing", "one"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--accuracy", "0,5dB"), "comma", "point"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--accuracy", "-1dB"), "not above 0", "0.5dB"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--waveform", "voice"), "not known", "two-tone"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--waveform", "am"), "depth", "--depth"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--waveform", "am", "--depth", "80"), "no %", "80%"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--depth", "80%"), "--waveform am", "am"),
        (("--at", "7.1MHz", "--level", "1Vpp", "--input-capacitance", "15pF"), "not allowed", "tee"),
        (("--safe", "--limit", "30"), "no unit", "dBm"),
        (("--spectrum", "missing.csv"), "is not there", "path"),
        (("--heat-run",), "holds no readings", "--log-reading"),
    ],
)
def test_what_cannot_be_answered_is_refused_with_a_hint(ask: Ask, words: tuple[str, ...], says: str, hint: str) -> None:
    error = ask.refused(*words)
    assert says in error["message"]
    assert hint in error["hint"]


def test_a_unit_that_nobody_knows(ask: Ask) -> None:
    assert "knows no unit 'nobody'" in ask.refused("--table", unit="nobody")["message"]


class Person:
    """Answers one question."""

    def __init__(self, answer: str) -> None:
        self.answer, self.asked = answer, list[Question]()

    def ask(self, question: Question) -> str:
        self.asked.append(question)
        return self.answer

    def connect(self, hookup: HookUp, says: tuple[str, ...]) -> None:
        raise AssertionError("nothing is connected")

    def tell(self, text: str) -> None:
        raise AssertionError("nothing is told")


@pytest.mark.parametrize(
    ("answer", "watts"), [("pp", 0.8**2 / 400), ("pk", 0.8**2 / 100), ("rms", 0.8**2 / 50), ("R.M.S.", 0.8**2 / 50)]
)
def test_volts_that_do_not_say_are_asked_for(answer: str, watts: float) -> None:
    person = Person(answer)
    assert level_of("0.8 V", person).watts == pytest.approx(watts)
    assert "0.8 V peak-to-peak, peak, or r.m.s.?" in person.asked[0].text


def test_an_answer_that_says_nothing_is_no_answer_and_nothing_is_asked_without_need() -> None:
    with pytest.raises(UsageError, match="does not say"):
        level_of("0.8 V", Person("hm"))
    silent = Person("pp")
    assert level_of("0.8 Vrms", silent).watts == pytest.approx(0.8**2 / 50)
    with pytest.raises(UsageError, match="comma"):
        level_of("1,5 V", silent)
    assert silent.asked == []


def test_a_resistor_inside_reads_6_db_more_on_a_scope_alone(ask: Ask) -> None:
    words = ("--at", "3.6MHz", "--level", "2Vpp", "--input-capacitance", "1pF")
    alone, beside = (ask.document(*words, "--into", into, unit="CL-0008") for into in ("1Mohm", "tee"))
    ratio = beside["crest"]["forward_w"]["value"] / alone["crest"]["forward_w"]["value"]
    assert 10 * np.log10(ratio) == pytest.approx(6.02, abs=0.1)


def test_a_unit_that_does_not_conform_is_told(ask: Ask) -> None:
    said = ask("--at", "7.1MHz", "--level", "20 dBm", unit="CL-0004")
    assert "The unit does not conform to its type hf30" in said
    assert "The proof names a fault, double termination (weight 0.93)" in said


def test_outside_the_band_and_beyond_the_sweep(ask: Ask) -> None:
    assert "is outside the proved band, 1.8 MHz to 54 MHz: the coupling was swept there" in ask(
        "--at", "70MHz", "--level", "0dBm"
    )
    beyond = ask("--at", "145MHz", "--level", "0dBm")
    assert "no interval can be given" in beyond
    assert "line current 140 mA no interval" in beyond


SPECTRUM = "frequency (MHz), level (dBm)\n7.1,10\n14.2,-50\n21.3,-33.2\n28.4,-20\n"


def test_a_spectrum_against_limits(ask: Ask, tmp_path: Path) -> None:
    path = tmp_path / "lines.csv"
    path.write_text(SPECTRUM, "utf-8")
    words = ("--spectrum", path, "--limits", "us-97.307", "--line-swr", "1.05", "--harmonic-swr", "1.3")
    said = ask(*words)
    assert "carrier at 7.1 MHz" in said
    assert "does not conform: 47 CFR 97.307(d) and (e)" in said
    assert "Check your own rules" in said
    assert "third harmonic" in said
    found = ask.document(*words)
    verdicts = [line["limit"]["decision"] for line in found["lines"] if line["limit"]]
    assert verdicts == ["conforms", "undecided", "does not conform"]
    assert found["decision"] == "does not conform"
    assert found["harmonic_swr"] == 1.3
    own = tmp_path / "own.toml"
    own.write_text('[limits]\nname = "own"\ntitle = "x"\nedition = "y"\n[rules.all]\nclause = "c"\nmost = "1 W"\n', "utf-8")
    assert ask.document("--spectrum", path, "--limits", own)["decision"] == "conforms"
    assert "us-97.307" in ask.refused("--spectrum", path, "--limits", "nowhere")["hint"]


def test_safe_and_planned_power(ask: Ask) -> None:
    found = ask.document("--safe", "--limit", "20 dBm", "--power", "100W")
    assert found["first"]["what"] == "instrument"
    assert found["most_w"] == pytest.approx(0.1 * 10**3.0 / 1.5, rel=0.05)
    assert found["add_pad_db"] > 0
    assert len(found["planned"]) == len(found["bands"]) == 11
    said = ask("--safe", "--limit", "20 dBm")
    assert "Add " in said
    assert "first at 6 m" in said
    planned = ask.document("--power", "100W", "--at", "7.1MHz", "--limit", "20 dBm")["planned"]
    assert [row["name"] for row in planned] == ["7.1 MHz"]
    assert planned[0]["port_w"]["value"] == pytest.approx(0.0977, rel=0.01)
    assert "needs 2 dB more" in ask("--power", "100W", "--at", "7.1MHz", "--limit", "20 dBm")


def test_the_table_in_three_forms(ask: Ask, program: Program, root: Path) -> None:
    csv = program("reading", UNIT, "--table", "--log", root).out.splitlines()
    columns = program("reading", UNIT, "--table", "--two-column", "--log", root).out.splitlines()
    rows = ask.document("--table")["table"]
    assert len(csv) - 1 == len(columns) == len(rows) == 201
    assert [float(word) for word in columns[5].split()] == pytest.approx(
        [rows[5]["frequency_hz"], rows[5]["coupling_db"]], abs=1e-4
    )


class At:
    """A clock that stands."""

    def __init__(self, when: str) -> None:
        self._when = datetime.fromisoformat(when)

    def now(self) -> datetime:
        return self._when


def with_proofs(root: Path, *proofs: Any, withdrawn: Sequence[str] = (), now: str = "2024-09-01T12:00:00+00:00") -> Any:
    with open_log(root) as log:
        for made in proofs:
            file_proof(log, made)
        for identity in withdrawn:
            log.withdraw(identity, "load forgotten", now)
        return open_unit(UNIT, Records(root, log, At(now))).standing


def dated(made: Any, day: str) -> Any:
    return made.model_copy(update={"circumstances": made.circumstances.model_copy(update={"when": f"{day}T10:00:00+00:00"})})


def test_age_and_last_recheck_are_told(tmp_path: Path) -> None:
    first = dated(unit_proof(proof="first00000"), "2024-05-01")
    later = dated(unit_proof(proof="later00000", drift=drift(reference="first00000").model_dump(mode="json")), "2024-08-31")
    standing = with_proofs(tmp_path, first, later)
    assert (standing.proof, standing.recheck_when[:10], standing.drifted) == ("later00000", "2024-08-31", True)
    assert standing.age_days == pytest.approx(1.083, abs=1e-3)
    assert any("has drifted" in warning for warning in standing.warnings)
    assert with_proofs(tmp_path, now="2026-01-01T00:00:00+00:00").warnings[-1].startswith("A recheck is due since 2025-08-31")


def test_a_withdrawn_proof_is_not_read_from_and_is_told(tmp_path: Path) -> None:
    old = dated(unit_proof(proof="old0000000"), "2024-05-01")
    new = dated(unit_proof(proof="new0000000", level=36.0), "2024-06-01")
    standing = with_proofs(tmp_path, old, new, withdrawn=["new0000000"])
    assert standing.proof == "old0000000"
    assert "A newer proof, 2024-06-01, is withdrawn: load forgotten" in standing.warnings
    with pytest.raises(UsageError, match="every proof of CL-0007 is withdrawn: load forgotten"):
        with_proofs(tmp_path, withdrawn=["old0000000"])


GUIDE = Path(__file__).resolve().parents[1] / "docs" / "reading.md"


def test_the_guide_names_options_that_exist() -> None:
    known = {word for option in get_command(app).commands["reading"].params for word in option.opts}  # type: ignore[attr-defined]
    named = set(re.findall(r"--[a-z][a-z-]+", GUIDE.read_text("utf-8")))
    assert named <= known, named - known
    assert len(named) > 20


def test_the_guides_file_of_limits_can_be_used() -> None:
    example = re.search(r"```toml\n(.*?)```", GUIDE.read_text("utf-8"), re.DOTALL)
    assert example is not None
    limits = parse_limits(textwrap.dedent(example[1]), "guide")
    assert limits.of(7e6, 14e6)[0].below == 50.0


@pytest.mark.parametrize(
    "words", ["RF burns", "Never take the load off the sample port", "Dummy loads get hot", "ICNIRP 2020", "Licence"]
)
def test_the_guide_tells_what_can_hurt_before_the_first_watt(words: str) -> None:
    text = GUIDE.read_text("utf-8")
    assert words in text[: text.index("## Connect")]
