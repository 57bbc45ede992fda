"""The two languages of the simulated analyser, as bytes: whole, cut at every byte, and with everything that can be wrong.

Error numbers and texts: SCPI-1999, volume 2, chapter 21 (also in any implementation's error table). Block format: IEEE 488.2,
8.7.9. Byte order: SCPI-1999, FORMat:BORDer (NORMal: most significant byte first).
"""

from __future__ import annotations

import re
import struct

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated import SimulatedBench
from drivers.simulated.languages import language_of
from drivers.simulated.plain_serial import PlainSerial
from drivers.simulated.scpi import Scpi
from harness.errors import UsageError
from sequences import hookups
from tests.simulated_texts import bench_of


def bench(which: str = "scpi", extra: str = "") -> SimulatedBench:
    made = SimulatedBench(bench_of(which, extra))
    made.connect(hookups.THRU)
    return made


def plain() -> PlainSerial:
    return PlainSerial(bench("serial"))


def scpi(which: str = "scpi") -> Scpi:
    return Scpi(bench(which))


def ask(instrument: Scpi | PlainSerial, text: str) -> str:
    return instrument.receive(text.encode("ascii") + b"\n").decode("ascii")


def errors(instrument: Scpi) -> list[str]:
    found = []
    while (entry := ask(instrument, "SYST:ERR?").strip()) != '0,"No error"':
        found.append(entry)
    return found


# -- plain serial --------------------------------------------------------------------------------------------------------------

TALK = "who\nspan\nspan 1000000 50000000.5 11\nspan\naverage 4\naverage\ntake\naxis\ngamma\nforward\nbackward\nnonsense\n\n"


def test_plain_answers_end_with_the_prompt() -> None:
    instrument = plain()
    assert ask(instrument, "who") == "tapproof,simulated analyser one-path,1,1\r\nok: "
    assert ask(instrument, "") == "ok: "
    assert ask(instrument, "span 1000000 50000000.5 11") == "ok: "
    low, high, points = ask(instrument, "span").split("\r\n")[0].split()
    assert (float(low), float(high), int(points)) == (1e6, 50000000.5, 11)
    assert ask(instrument, "average 4") == "ok: "
    assert ask(instrument, "average") == "4\r\nok: "


def test_plain_data_are_fixed_width_lines() -> None:
    instrument = plain()
    ask(instrument, "span 1000000 50000000 11")
    assert ask(instrument, "take") == "ok: "
    axis = ask(instrument, "axis").split("\r\n")
    assert axis[-1] == "ok: "
    assert [len(line) for line in axis[:-1]] == [18] * 11
    np.testing.assert_allclose([float(line) for line in axis[:-1]], np.linspace(1e6, 50e6, 11), rtol=1e-12)
    for name in ("gamma", "forward"):
        lines = ask(instrument, name).split("\r\n")
        assert lines[-1] == "ok: "
        assert len(lines) == 12
        assert all(re.fullmatch(r"[+-]\d\.\d{12}e[+-]\d\d [+-]\d\.\d{12}e[+-]\d\d", line) for line in lines[:-1])


def test_plain_data_are_what_the_bench_shows() -> None:
    spoken, same = plain(), bench("serial")
    ask(spoken, "span 1000000 100000000 201")
    ask(spoken, "take")
    shown = same.raw(("s11", "s21"), bench_of("serial").grid)
    for name, trace in (("gamma", "s11"), ("forward", "s21")):
        pairs = [line.split() for line in ask(spoken, name).split("\r\n")[:-1]]
        np.testing.assert_allclose([float(re) + 1j * float(im) for re, im in pairs], shown[trace], rtol=1e-11, atol=1e-14)


def test_plain_cut_at_every_byte() -> None:
    data = TALK.encode("ascii")
    whole = plain().receive(data)
    for cut in range(len(data) + 1):
        instrument = plain()
        assert instrument.receive(data[:cut]) + instrument.receive(data[cut:]) == whole
    single = plain()
    assert b"".join(single.receive(data[at : at + 1]) for at in range(len(data))) == whole


@pytest.mark.parametrize(
    "line",
    [
        "WHO",
        "who now",
        "span 1 2",
        "span 1e6 2e6 11",
        "span 2000000 1000000 11",
        "span 1000000 4000000000 11",
        "span 1000000 2000000 1",
        "span 1000000 2000000 11.5",
        "span 1,0 2000000 11",
        "span -5 2000000 11",
        "span 1_000_000 2000000 11",
        "average 0",
        "average 10001",
        "average 1 2",
        "average x",
        "take 2",
        "axis 1",
        "gamma 1",
        "gamma",
        "backward",
        "gamma2",
        "x" * 300,
    ],
)
def test_plain_refusals_are_one_line_and_change_nothing(line: str) -> None:
    instrument = plain()
    ask(instrument, "span 1000000 2000000 21")
    before = ask(instrument, "span") + ask(instrument, "average")
    assert re.fullmatch(r"error: [ -~]+\r\nok: ", ask(instrument, line))
    assert ask(instrument, "span") + ask(instrument, "average") == before


def test_plain_new_settings_make_old_data_void() -> None:
    instrument = plain()
    ask(instrument, "take")
    assert not ask(instrument, "gamma").startswith("error")
    ask(instrument, "average 2")
    assert ask(instrument, "gamma").startswith("error")


def test_plain_forgets_half_a_line_when_the_other_side_goes() -> None:
    instrument = plain()
    instrument.receive(b"spa")
    instrument.hang_up()
    assert ask(instrument, "average") == "1\r\nok: "


@given(st.binary(max_size=400))
def test_plain_survives_anything(data: bytes) -> None:
    instrument = PLAIN
    instrument.receive(data)
    instrument.hang_up()
    instrument.receive(b"average 1\n")
    assert instrument.receive(b"average\n") == b"1\r\nok: "


# -- SCPI ------------------------------------------------------------------------------------------------------------------------


def test_scpi_identity_and_common_commands() -> None:
    instrument = scpi()
    assert ask(instrument, "*IDN?") == "tapproof,simulated analyser one-path,2,1\n"
    assert ask(instrument, "*idn?;*OPC?") == "tapproof,simulated analyser one-path,2,1;1\n"
    assert ask(scpi("two-path"), "*IDN?") == "tapproof,simulated analyser two-path,3,1\n"
    assert ask(instrument, "") == ""
    assert errors(instrument) == []


@pytest.mark.parametrize(
    ("write", "read", "says"),
    [
        ("SENSe:FREQuency:STARt 2e6", "SENSe:FREQuency:STARt?", "2.000000000000E+06"),
        ("sens:freq:star 2 MHz", ":SENS:FREQ:STAR?", "2.000000000000E+06"),
        ("FREQ:STOP 1500KHZ", "freq:stop?", "1.500000000000E+06"),
        ("SENSE:SWEEP:POINTS 1601", "SWE:POIN?", "1601"),
        ("SWEep:POINts 11.4", "SWE:POIN?", "11"),
        ("SENS:SWE:SPAC LOG", "SENS:SWE:SPAC?", "LOG"),
        ("SENS:SWE:SPAC logarithmic;SPAC lin", "SENS:SWE:SPAC?", "LIN"),
        ("SENS:AVER:COUN 16", "SENS:AVER:COUN?", "16"),
        ("SENS:AVER:STAT ON", "SENS:AVER?", "1"),
        ("SENS:AVER 1;AVER:STAT OFF", "SENS:AVER:STAT?", "0"),
        ("FORM:DATA REAL,32", "FORM?", "REAL,32"),
        ("FORMat REAL", "FORMat:DATA?", "REAL,64"),
        ("FORM REAL,64;FORM ASC", "FORM:DATA?", "ASC,0"),
        ("FORM:BORD SWAP", "FORMAT:BORDER?", "SWAP"),
        ("FORM:BORD NORMAL", "FORMAT:BORDER?", "NORM"),
        ("INIT:CONT ON", "INITiate:CONTinuous?", "1"),
        (
            "SENS:FREQ:STAR 3E6;STOP 4e6;:SWE:POIN 21",
            "SENS:FREQ:STAR?;STOP?;:SWE:POIN?",
            "3.000000000000E+06;4.000000000000E+06;21",
        ),
        ("*RST;FREQ:STAR 3E6;*CLS;STOP 4e6", "FREQ:STAR?;STOP?", "3.000000000000E+06;4.000000000000E+06"),
    ],
)
def test_scpi_settings_in_long_and_short_form(write: str, read: str, says: str) -> None:
    instrument = scpi()
    assert ask(instrument, write) == ""
    assert ask(instrument, read) == says + "\n"
    assert errors(instrument) == []
    ask(instrument, "*RST")
    assert ask(instrument, read) == ask(scpi(), read)


@pytest.mark.parametrize(
    ("message", "entry"),
    [
        ("HELLO", '-113,"Undefined header"'),
        ("SENS:FREQU:STAR 1e6", '-113,"Undefined header"'),
        ("SENS:FREQ:STARTS 1e6", '-113,"Undefined header"'),
        ("*TST?", '-113,"Undefined header"'),
        ("INIT?", '-113,"Undefined header"'),
        ("SENS:FREQ:STAR", '-109,"Missing parameter"'),
        ("FORM:DATA", '-109,"Missing parameter"'),
        ("TRAC:DATA?", '-109,"Missing parameter"'),
        ("SENS:SWE:POIN 11,12", '-108,"Parameter not allowed"'),
        ("*IDN? 1", '-108,"Parameter not allowed"'),
        ("SWE:POIN? 1", '-108,"Parameter not allowed"'),
        ("FORM REAL,64,1", '-108,"Parameter not allowed"'),
        ("SENS:SWE:POIN 1", '-222,"Data out of range"'),
        ("SENS:SWE:POIN 1e9", '-222,"Data out of range"'),
        ("SENS:FREQ:STAR 4GHZ", '-222,"Data out of range"'),
        ("SENS:FREQ:STAR 1e400", '-222,"Data out of range"'),
        ("SENS:FREQ:STAR 1e99999", '-123,"Exponent too large"'),
        ("SENS:AVER:COUN 0", '-222,"Data out of range"'),
        ("SENS:FREQ:STAR LOW", '-104,"Data type error"'),
        ("SENS:FREQ:STAR 1_000_000", '-104,"Data type error"'),
        ("SENS:FREQ:STAR nan", '-104,"Data type error"'),
        ("SENS:FREQ:STAR 1e6 M", '-131,"Invalid suffix"'),
        ("SENS:SWE:POIN 11 HZ", '-138,"Suffix not allowed"'),
        ("SENS:SWE:SPAC CUBIC", '-224,"Illegal parameter value"'),
        ("FORM REAL,48", '-224,"Illegal parameter value"'),
        ("FORM:BORD BIG", '-224,"Illegal parameter value"'),
        ("SENS:AVER PERHAPS", '-224,"Illegal parameter value"'),
        ("TRAC:DATA? S31", '-224,"Illegal parameter value"'),
        ("TRAC:DATA? S11", '-230,"Data corrupt or stale"'),
        ("TRAC:DATA? S12", '-241,"Hardware missing"'),
        ("FREQ:STAR 5e6;STOP 4e6;:INIT", '-221,"Settings conflict"'),
        ("INIT:CONT ON;:INIT", '-213,"Init ignored"'),
    ],
)
def test_scpi_errors(message: str, entry: str) -> None:
    instrument = scpi()
    assert ask(instrument, message) == ""
    assert errors(instrument) == [entry]
    assert ask(instrument, "*OPC?") == "1\n"


def test_scpi_error_queue_is_a_queue_and_bounded() -> None:
    instrument = scpi()
    ask(instrument, "SWE:POIN 1;POIN")
    ask(instrument, "NO:SUCH;*IDN?")
    assert errors(instrument) == ['-222,"Data out of range"', '-109,"Missing parameter"', '-113,"Undefined header"']
    for _ in range(50):
        ask(instrument, "NO:SUCH")
    found = errors(instrument)
    assert len(found) == 32
    assert found[-1] == '-350,"Queue overflow"'
    ask(instrument, "NO:SUCH")
    ask(instrument, "*CLS")
    assert errors(instrument) == []
    assert instrument.receive("SENS:FREQ:STÄR 1e6\n".encode()) == b""
    assert errors(instrument) == ['-101,"Invalid character"']
    assert instrument.receive(b"x" * 5000) == b""
    assert instrument.receive(b"x\n") == b""
    assert errors(instrument) == ['-363,"Input buffer overrun"']


def test_scpi_new_settings_make_old_data_void() -> None:
    instrument = scpi()
    ask(instrument, "SWE:POIN 11;:INIT")
    assert ask(instrument, "TRAC? S11")
    ask(instrument, "FORM:BORD SWAP")
    assert ask(instrument, "TRAC? S11")
    ask(instrument, "SWE:POIN 21")
    assert ask(instrument, "TRAC? S11") == ""
    ask(instrument, "*CLS;INIT:CONT ON")
    assert ask(instrument, "TRAC? S11") != ask(instrument, "TRAC? S11")


def payload(answer: bytes, points: int, size: int) -> bytes:
    """Return a block's payload after checking its header against IEEE 488.2: "#", digits of the count, count, bytes, LF."""
    length = str(2 * points * size)
    head = f"#{len(length)}{length}".encode("ascii")
    assert answer.startswith(head)
    assert answer.endswith(b"\n")
    assert len(answer) == len(head) + int(length) + 1
    return answer[len(head) : -1]


@pytest.mark.parametrize(("form", "code", "size", "tolerance"), [("REAL,64", "d", 8, 0.0), ("REAL,32", "f", 4, 1e-7)])
@pytest.mark.parametrize(("order", "mark"), [("NORMal", ">"), ("SWAPped", "<")])
def test_scpi_blocks_are_what_the_bench_shows(form: str, code: str, size: int, tolerance: float, order: str, mark: str) -> None:
    instrument = scpi("two-path")
    ask(instrument, f"FORM:DATA {form};BORD {order};:INIT;*OPC?")
    shown = bench("two-path").raw(("s11", "s21", "s12", "s22"), bench_of().grid)
    for name, expected in shown.items():
        raw = payload(instrument.receive(f"TRACe:DATA? {name}\n".encode("ascii")), 201, size)
        values = np.array(struct.unpack(f"{mark}402{code}", raw))
        np.testing.assert_allclose(values[0::2] + 1j * values[1::2], expected, rtol=0, atol=tolerance)
    axis = instrument.receive(b"TRAC? FREQ\n")
    np.testing.assert_allclose(
        struct.unpack(f"{mark}201{code}", axis[-1 - 201 * size : -1]), bench_of().grid.frequencies(), rtol=1e-7
    )
    assert errors(instrument) == []


def test_scpi_block_headers_of_the_standard() -> None:
    """201 complex points: #43216 as REAL,64 and #41608 as REAL,32; 1601 points: #525616 (IEEE 488.2, computed)."""
    instrument = scpi()
    ask(instrument, "FORM REAL,64;:INIT")
    assert instrument.receive(b"TRAC? S11\n").startswith(b"#43216")
    ask(instrument, "FORM REAL,32")
    assert instrument.receive(b"TRAC? S11\n").startswith(b"#41608")
    ask(instrument, "FORM REAL,64;:SWE:POIN 1601;:INIT")
    assert instrument.receive(b"TRAC? S11\n").startswith(b"#525616")


def test_scpi_text_and_logarithmic_axis() -> None:
    instrument = scpi()
    ask(instrument, "FREQ:STAR 1E6;STOP 1E8;:SWE:POIN 5;SPAC LOG;:INIT")
    axis = [float(text) for text in ask(instrument, "TRAC? FREQuency").split(",")]
    np.testing.assert_allclose(axis, [1e6, 10**6.5, 1e7, 10**7.5, 1e8], rtol=1e-11)
    values = [float(text) for text in ask(instrument, "TRAC:DATA? S21").split(",")]
    assert len(values) == 10
    assert 0.7 < np.hypot(values[0], values[1]) < 1.3


def test_scpi_averaging_counts_only_when_it_is_on() -> None:
    def spread(switch: str) -> float:
        instrument = Scpi(bench(extra='drift = "-300 dB"\n'))
        ask(instrument, f"FORM:DATA REAL,64;BORD SWAP;:AVER:COUN 100;STAT {switch}")
        found = []
        for _ in range(2):
            ask(instrument, "INIT")
            found.append(np.frombuffer(payload(instrument.receive(b"TRAC? S11\n"), 201, 8), "<f8"))
        return float(np.std(found[0] - found[1]))

    assert spread("OFF") / spread("ON") == pytest.approx(10.0, rel=0.25)


def test_scpi_cut_at_every_byte() -> None:
    data = (
        b"*IDN?\nSENS:FREQ:STAR 2e6;STOP 3e6\nSWE:POIN 11\nFORM REAL,32\nINIT;*OPC?\nTRAC? S21\nNO\nSYST:ERR?\n:SYST:ERR:NEXT?\n"
    )
    whole = scpi().receive(data)
    assert whole.endswith(b'-113,"Undefined header"\n0,"No error"\n')
    for cut in range(len(data) + 1):
        instrument = scpi()
        assert instrument.receive(data[:cut]) + instrument.receive(data[cut:]) == whole
    single = scpi()
    assert b"".join(single.receive(data[at : at + 1]) for at in range(len(data))) == whole


@given(st.one_of(st.binary(max_size=200), st.text("SENSFREQ:TARINI*?;,# 1e9\n", max_size=120).map(str.encode)))
def test_scpi_survives_anything(data: bytes) -> None:
    instrument = SCPI
    instrument.receive(data)
    instrument.hang_up()
    instrument.receive(b"*RST;*CLS\n")
    assert instrument.receive(b"*OPC?;:SYST:ERR?\n") == b'1;0,"No error"\n'


# One instrument each for the random tests: every example starts with what the one before left behind.
PLAIN, SCPI = plain(), scpi()


def test_the_dialect_chooses_the_language() -> None:
    assert isinstance(language_of(bench("serial")), PlainSerial)
    assert isinstance(language_of(bench("scpi")), Scpi)
    text = bench_of()
    other = text.model_copy(update={"analyser": text.analyser.model_copy(update={"dialect": "semaphore"})})
    with pytest.raises(UsageError, match="semaphore"):
        language_of(SimulatedBench(other))
