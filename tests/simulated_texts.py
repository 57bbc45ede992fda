"""Bench and type files for the tests of the simulated bench."""

from __future__ import annotations

from harness.records import Bench, SamplerType, parse_bench, parse_type
from tests.texts import TYPE_TEXT

FRAME = """
[bench]
name = "{name}"

[analyser]
address = "{address}"
dialect = "{dialect}"
paths = "{paths}"
connector = "BNC"

[sweep]
low = "1 MHz"
high = "100 MHz"
points = 201
point_time = "1 ms"

[standards.short]
inductance = "60 pH"
delay = "4 ps"

[standards.open]
capacitance = "70 fF"
delay = "5 ps"

[standards.load]
resistance = "50.3 ohm"
inductance = "40 pH"

[standards.thru]
delay = "35 ps"
loss = "0.02 dB"

[[adapters]]
cable = "BNC"
unit = "UHF"
delay = "150 ps"

[simulated]
seed = {seed}
"""

SERIAL_TEXT = FRAME.format(name="serial", address="simulated://pty", dialect="plain-serial", paths="one-path", seed=1)
SCPI_TEXT = FRAME.format(name="scpi", address="simulated://tcp", dialect="scpi-simulated", paths="one-path", seed=2)
TWO_PATH_TEXT = FRAME.format(name="two-path", address="simulated://tcp", dialect="scpi-simulated", paths="two-path", seed=3)
TEXTS = {"serial": SERIAL_TEXT, "scpi": SCPI_TEXT, "two-path": TWO_PATH_TEXT}

QUIET = 'noise = "-300 dB"\ndrift = "-300 dB"\nideal_connectors = true\n'
"""Lines for the end of a bench text: nothing random is left but the error terms, the loads and the unit."""


def bench_of(which: str = "scpi", extra: str = "") -> Bench:
    """Return one of the three benches, with lines added to its table ``[simulated]``."""
    return parse_bench(TEXTS[which] + extra, which)


def hf30(**changes: str) -> SamplerType:
    """Return the 30 dB type, with values of its file replaced: ``hf30(turns="10")``."""
    text = TYPE_TEXT
    for key, value in changes.items():
        lines = [line for line in text.splitlines() if line.startswith(f"{key} =")]
        old, rest = (lines[0], "") if lines else ("[build]", "[build]\n")
        text = text.replace(old, f"{rest}{key} = {value}")
    return parse_type(text, "hf30")


INTERNAL = {"termination": '"internal"', "internal_ohm": "50"}
