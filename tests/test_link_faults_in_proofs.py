"""A link fault in the middle of a whole proof: the run recovers or stops, goes on where it was, and the proof is right.

The link is a wire in virtual time with a script of faults; what is true stands in the bench file, and an undisturbed proof of the
same unit is made beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from drivers.analyser import DialectAnalyser, Options
from drivers.simulated import SimulatedBench
from drivers.simulated import link_faults as lf
from drivers.simulated.languages import language_of
from drivers.simulated.link_faults import LinkFault, Spoiler
from harness import proving, wiring
from harness.errors import InstrumentError
from harness.files import read_bench, read_type, verify_folder
from harness.log import check_log
from harness.proving import Filed, Session, Wish
from tests.command_line import files_under, write_bench
from tests.fake_links import FakeClock, dialect
from tests.fakes import ScriptedOperator
from tests.link_fault_bench import RECONNECT_S, VirtualTransport, VirtualWire
from tests.link_fault_cases import MARGIN_S, PLAIN, SCPI

WITHIN_NOISE_DB = 0.01
"""-100 dB of noise after averaging on a coupling of 30 dB is 3e-4 of it, 0.003 dB r.m.s."""
PROMPTS = 12
STRUCK = 10
"""The sweep that is struck, counted from 1: the unit's line, after eight of the calibration and coupled."""


@dataclass
class Place:
    """A bench on a virtual wire, and a log folder."""

    folder: Path
    link: str
    spoiler: Spoiler = field(init=False)

    def __post_init__(self) -> None:
        spoken = "plain-serial" if self.link == "serial" else "scpi-simulated"
        self._file = write_bench(self.folder, dialect=spoken, points=28)
        self._bench = read_bench(str(self._file))
        self._instrument = SimulatedBench(self._bench, read_type("hf30"))
        self.spoiler = Spoiler(lambda: language_of(self._instrument), self._instrument.identity)
        self._wire = VirtualWire(self.spoiler, FakeClock())
        self._dialect = dialect(spoken)

    def prove(self, operator: ScriptedOperator) -> tuple[Filed, str]:
        """Prove the unit, or go on with the run of it; return the filed proof and the transcript of this session."""
        wish = Wish("U1", "hf30", str(self._file), diagnosis=False)
        clock = self._wire.clock
        operator.hand = self._instrument.connect

        def passing(seconds: float) -> None:
            clock.seconds += seconds

        options = Options(margin_s=MARGIN_S, reconnect_s=RECONNECT_S, point_time_s=self._bench.sweep.point_time)
        analyser = DialectAnalyser(self._open(), self._dialect, options=options, clock=clock, reopen=self._open, pause=passing)
        session = Session(self._bench, analyser, operator, self._instrument.insert_unit, analyser.transcript.text)
        try:
            with wiring.open_store(str(self.folder / "log")) as records:
                filed = proving.prove(wish, wiring.read_product(wish, self._bench), session, records)
                assert check_log(records.root, records.log) == []
            return filed, analyser.transcript.text()
        finally:
            analyser.close()

    def mend(self) -> None:
        """Nothing strikes any more, the instrument is itself, and time passes."""
        self.spoiler.disarm()
        self.spoiler.become_itself()
        self._wire.clock.seconds += 60.0

    def _open(self) -> VirtualTransport:
        return VirtualTransport(self._wire, "stream", self.link != "serial")


@cache
def undisturbed(link: str, folder: Path) -> Filed:
    folder.mkdir()
    return Place(folder, link).prove(ScriptedOperator())[0]


def raw_sweeps(folder: Path) -> set[bytes]:
    return {path.read_bytes() for path in folder.glob("*.s[12]p")}


def assert_same_unit(filed: Filed, other: Filed) -> None:
    assert filed.proof.decision == other.proof.decision == "conforms"
    for name, figure in filed.proof.figures.items():
        if name.endswith("coupling_db"):
            assert figure.value == pytest.approx(other.proof.figures[name].value, abs=WITHIN_NOISE_DB)
    assert filed.proof.coupling_table is not None
    assert other.proof.coupling_table is not None
    assert np.allclose(filed.proof.coupling_table.db, other.proof.coupling_table.db, rtol=0, atol=2 * WITHIN_NOISE_DB)
    assert verify_folder(filed.folder) == []
    assert [name for name in files_under(filed.folder) if not name.startswith("raw/")] == [
        name for name in files_under(other.folder) if not name.startswith("raw/")
    ]


STOPPING = {
    "another instrument answers": lambda words, skip: LinkFault(words["identity"], becomes="OTHER,instrument,7,7", skip=skip + 1),
    "the analyser is reset": lambda words, skip: LinkFault(words["identity"], reset=True, skip=skip + 1),
    "the sweep never ends": lambda words, skip: LinkFault(words["done"], lf.never, skip=skip),
    "the device has vanished for good": lambda words, skip: LinkFault(words["trigger"], lf.unplugged(3 * RECONNECT_S), skip=skip),
}
RECOVERING = {
    "the device comes back": lambda words, skip: LinkFault(words["trigger"], lf.unplugged(0.3), skip=skip),
    "a stale sweep": lambda words, skip: LinkFault(
        words["trigger"], hears=lambda line: b"\n" if words is PLAIN else b"", skip=skip
    ),
}


@pytest.mark.parametrize(("fault", "link"), list(zip(STOPPING, ("serial", "tcp", "tcp", "serial"), strict=True)))
def test_a_run_that_a_fault_stops_goes_on_and_ends_right(
    fault: str, link: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    words = PLAIN if link == "serial" else SCPI
    place = Place(tmp_path, link)
    place.spoiler.arm(STOPPING[fault](words, STRUCK - 1))
    first = ScriptedOperator()
    with pytest.raises(InstrumentError) as caught:
        place.prove(first)
    assert caught.value.hint
    assert place.spoiler.struck
    (run,) = (tmp_path / "log" / "runs").glob("U1-*/")
    kept = raw_sweeps(run)
    assert len(kept) == len(first.hookups()) - 1 == STRUCK - 1
    assert not (tmp_path / "log" / "proofs").exists()
    place.mend()
    again = ScriptedOperator()
    filed, _ = place.prove(again)
    assert again.requests[0].kind == "resume"
    assert len(again.hookups()) == PROMPTS - (STRUCK - 1)
    # Nothing lost: every sweep from before the fault is one of the proof's raw sweeps, byte for byte in its numbers.
    numbers = {text.partition(b"# Hz")[2] for text in raw_sweeps(filed.folder / "raw")}
    assert {text.partition(b"# Hz")[2] for text in kept} <= numbers
    assert_same_unit(filed, undisturbed(link, tmp_path_factory.getbasetemp() / f"undisturbed-{link}"))
    assert not list((tmp_path / "log" / "runs").glob("U1-*/"))


@pytest.mark.parametrize(("fault", "link"), list(zip(RECOVERING, ("tcp", "serial"), strict=True)))
def test_a_run_that_recovers_asks_for_nothing_and_ends_right(
    fault: str, link: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    place = Place(tmp_path, link)
    place.spoiler.arm(RECOVERING[fault](PLAIN if link == "serial" else SCPI, STRUCK - 1))
    operator = ScriptedOperator()
    filed, transcript = place.prove(operator)
    assert place.spoiler.struck
    assert len(operator.hookups()) == PROMPTS
    assert "sweep again" in transcript or "a new sweep" in transcript
    assert_same_unit(filed, undisturbed(link, tmp_path_factory.getbasetemp() / f"undisturbed-{link}"))
