"""The baseline: what a person would write who needs the files and nothing else, in pyserial and scikit-rf.

The same exchanges with the analyser as the program makes with the dialect of the simulated SCPI analyser, the calibration's
stored sweeps through scikit-rf's own correction, and the same Touchstone files. No deadlines but pyserial's, no journal, no
uncertainty, no decision, no log; the three-port is put together entry by entry. As a script::

    python tests/speed/plain_script.py CALIBRATION_FOLDER OUTPUT_FOLDER

starts the simulated bench in its own process, as the program does, and proves one unit on it.
"""

from __future__ import annotations

import shutil
import socket
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import serial
import skrf
from skrf.calibration import EnhancedResponse, OnePort

LOW_HZ, HIGH_HZ, POINTS = 1e6, 100e6, 201
HOOK_UPS = {"verify-load": 1, "coupled": 2, "line": 2, "coupled-far": 2, "sample": 1}
"""The hook-ups in order, and the ports of the file that holds each."""
SET_UP = (
    "*CLS",
    "INITiate:CONTinuous OFF",
    f"SENSe:FREQuency:STARt {LOW_HZ}",
    f"SENSe:FREQuency:STOP {HIGH_HZ}",
    f"SENSe:SWEep:POINts {POINTS}",
    "SENSe:SWEep:SPACing LINear",
    "SENSe:AVERage:COUNt 1",
    "SENSe:AVERage:STATe ON",
    "FORMat:DATA REAL,64",
    "FORMat:BORDer NORMal",
)
READ_BACK = {
    "SENSe:FREQuency:STARt?": "1.000000000000E+06",
    "SENSe:FREQuency:STOP?": "1.000000000000E+08",
    "SENSe:SWEep:POINts?": "201",
    "SENSe:SWEep:SPACing?": "LIN",
    "SENSe:AVERage:COUNt?": "1",
    "SENSe:AVERage:STATe?": "1",
    "FORMat:DATA?": "REAL,64",
    "FORMat:BORDer?": "NORM",
    "SENSe:CORRection:STATe?": "0",
}


def _opened(address: str) -> Any:
    return serial.serial_for_url(address, timeout=5)


class Analyser:
    """The instrument at the other end of a pyserial link. ``sent`` keeps every message, to show that the exchanges are ours."""

    def __init__(self, address: str) -> None:
        self.sent: list[bytes] = []
        self.link = _opened(address)
        # pyserial's socket leaves a small message waiting until the one before is acknowledged, some 40 ms; a baseline must not.
        self.link._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def close(self) -> None:
        """Close the connection without the 0.3 s that pyserial's socket sleeps when it is closed: a baseline must not."""
        self.link._socket.close()
        self.link._socket, self.link.is_open = None, False

    def write(self, message: str) -> None:
        """Send a message."""
        self.sent.append(message.encode() + b"\n")
        self.link.write(self.sent[-1])

    def ask(self, message: str) -> str:
        """Return the line that answers a query."""
        self.write(message)
        return bytes(self.link.read_until(b"\n")).decode().strip()

    def numbers(self, message: str) -> Any:
        """Return the binary block that answers a query, as floats."""
        self.write(message)
        digits = int(self.link.read(2)[1:])
        payload = self.link.read(int(self.link.read(digits)))
        self.link.read(1)
        return np.frombuffer(payload, dtype=">f8").astype(np.float64)

    def check(self) -> None:
        """Read the error queue once; it must be empty."""
        said = self.ask("SYSTem:ERRor?")
        if not said.startswith("0,"):
            raise RuntimeError(said)

    def check_settings(self) -> None:
        """Ask for every setting; each must be as it was set."""
        for query, wanted in READ_BACK.items():
            said = self.ask(query)
            if said != wanted:
                raise RuntimeError(f"{query}: {said}")

    def set_up(self) -> Any:
        """Set the instrument and return its frequencies."""
        self.ask("*IDN?")
        self.ask("*IDN?")  # the program asks when it opens the link and when it sets up
        for message in SET_UP:
            self.write(message)
            self.check()
        self.check_settings()
        axis = self.numbers("TRACe:DATA? FREQ")
        self.check()
        return axis

    def sweep(self, traces: tuple[str, ...]) -> list[Any]:
        """Sweep once and return the traces, complex; the settings must be the same before and after."""
        self.ask("*IDN?")
        self.check_settings()
        self.check()
        self.write("INITiate:IMMediate")
        if self.ask("*OPC?") != "1":
            raise RuntimeError("the sweep did not end")
        self.check()
        taken = []
        for trace in traces:
            taken.append(self.numbers(f"TRACe:DATA? {trace}").view(np.complex128))
            self.check()
        self.check_settings()
        return taken


def network(axis: Any, ports: int, traces: list[Any]) -> skrf.Network:
    """Return a network whose first column holds the traces, S11 and then S21."""
    s = np.zeros((len(axis), ports, ports), dtype=complex)
    for row, trace in enumerate(traces):
        s[:, row, 0] = trace
    return skrf.Network(frequency=skrf.Frequency.from_f(axis, unit="hz"), s=s, z0=50)


def corrections(folder: Path) -> tuple[OnePort, EnhancedResponse]:
    """Return the corrections of one-port and two-port sweeps from a calibration's stored sweeps, standards taken as ideal."""
    swept = {path.stem: skrf.Network(path) for path in folder.glob("cal-*.s?p")}
    short, open_, load, thru = (swept[f"cal-{name}"] for name in ("short", "open", "load", "thru"))
    axis = short.f
    ideal = {gamma: np.full(len(axis), gamma, dtype=complex) for gamma in (-1, 1, 0)}
    one_port = OnePort(
        measured=[short, open_, load], ideals=[network(axis, 1, [gamma]) for gamma in ideal.values()], is_reciprocal=False
    )
    reflecting = [network(axis, 2, [standard.s[:, 0, 0]]) for standard in (short, open_, load)]
    ideals = []
    for gamma in ideal.values():
        both = network(axis, 2, [gamma])
        both.s[:, 1, 1] = gamma
        ideals.append(both)
    through = network(axis, 2, [ideal[0], ideal[1]])
    through.s[:, 0, 1] = 1
    leak = swept["cal-isolation"]
    leak.s[:, 0, 1] = leak.s[:, 1, 0]
    two_port = EnhancedResponse([*reflecting, thru], [*ideals, through], n_thrus=1, isolation=leak)
    return one_port, two_port


def assembled(axis: Any, found: dict[str, skrf.Network]) -> skrf.Network:
    """Return the three-port (line in, line out, sample), each entry from the one sweep that shows it."""
    s = np.zeros((len(axis), 3, 3), dtype=complex)
    s[:, 0, 0] = found["coupled"].s[:, 0, 0]
    s[:, 1, 1] = found["coupled-far"].s[:, 0, 0]
    s[:, 2, 2] = found["sample"].s[:, 0, 0]
    s[:, 1, 0] = s[:, 0, 1] = found["line"].s[:, 1, 0]
    s[:, 2, 0] = s[:, 0, 2] = found["coupled"].s[:, 1, 0]
    s[:, 2, 1] = s[:, 1, 2] = found["coupled-far"].s[:, 1, 0]
    return skrf.Network(frequency=skrf.Frequency.from_f(axis, unit="hz"), s=s, z0=50)


def prove(analyser: Analyser, calibration: Path, out: Path, move: Callable[[str], None]) -> dict[str, skrf.Network]:
    """Take all sweeps of one unit and write its files into ``out``; ``move`` makes a hook-up. Returns the corrected sweeps."""
    axis = analyser.set_up()
    raw = {}
    for name, ports in HOOK_UPS.items():
        move(name)
        raw[name] = network(axis, ports, analyser.sweep(("S11", "S21")[:ports]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # scikit-rf says that a correction from one side is partial
        one_port, two_port = corrections(calibration)
        found = {
            name: (one_port if sweep.nports == 1 else two_port).apply_cal(sweep)
            for name, sweep in raw.items()
            if name != "verify-load"
        }
    (out / "raw").mkdir(parents=True)
    for name, sweep in raw.items():
        sweep.write_touchstone(str(out / "raw" / name))
    for path in calibration.glob("*.s?p"):
        shutil.copy(path, out / "raw")
    for name, sweep in (found | {"unit": assembled(axis, found)}).items():
        sweep.write_touchstone(str(out / name))
    return found


def main(calibration: Path, out: Path) -> None:
    """Start the simulated bench in this process and prove one unit on it."""
    from importlib.resources import files

    from drivers.simulated.server import start
    from harness.records import parse_bench, parse_type
    from sequences import hookups

    data = files("harness").joinpath("data")
    bench = parse_bench(data.joinpath("benches", "simulated-scpi.toml").read_text("utf-8"), "bench")
    type_ = parse_type(data.joinpath("types", "hf30.toml").read_text("utf-8"), "type")
    made = (hookups.VERIFY_LOAD, hookups.COUPLED, hookups.LINE, hookups.COUPLED_FAR, hookups.SAMPLE_PORT)
    known = {hookup.name: hookup for hookup in made}
    with start(bench, type_) as served:
        served.bench.insert_unit("SPEED-1")
        analyser = Analyser(served.address)
        prove(analyser, calibration, out, lambda name: served.bench.connect(known[name]))
        analyser.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
