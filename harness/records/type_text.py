"""A type as the text of its file, with a remark beside each key; it reads back as the same type."""

from __future__ import annotations

from typing import Any

from harness.errors import UsageError
from harness.quantities import parse_quantity, show_frequency
from harness.records.type_file import SamplerType

_HEAD = """\
# Written by "tapproof design". Values with a unit stand in quotes. A key that this program does not know is refused.
"""

_REMARKS = {
    "name": "what --type, sheets and the log call it",
    "title": "the heading of its sheets",
    "recheck_months": "a unit is due for a recheck this long after its last proof",
    "turns": "of the winding on the toroid; the line through it counts as one turn",
    "core": "toroid size and material",
    "stack": "cores one on the other",
    "wire_awg": "winding wire, American wire gauge",
    "line": "the short coax through the toroid; its braid is grounded at one end only",
    "termination": "external: the instrument is the 50 ohm load; internal: a resistor inside as well",
    "internal_ohm": "the resistor inside, across the winding",
    "pad_db": "between the winding and the sample port",
    "shunt_ohm": "across the winding",
    "series_ohm": "from there to the sample port",
    "second_turns": "of a second winding, behind the first",
    "second_core": "its toroid; the first winding's wire passes it once",
    "line_connectors": "line in and line out",
    "sample_connector": "sample port",
    "low": "the tolerances hold from here …",
    "high": "… to here",
    "line_power": "the most the line will carry, continuous",
    "line_swr": "the worst SWR it is used at",
    "coupling": "nominal, as seen by a 50 ohm instrument on the sample port",
    "coupling_error": "either way",
    "flatness": "± half of max − min over the band",
    "return_loss": "of the line, at least",
    "insertion_loss": "of the line, at most; it includes the power that goes to the sample port",
}
_UNITS = {"low": "Hz", "high": "Hz", "line_power": "W", "pad_db": "dB", "shunt_ohm": "Ω", "series_ohm": "Ω"}


def type_text(type_: SamplerType) -> str:
    """Return the text of a type file; ``parse_type`` reads it back as the same record. Keys of None are left out."""
    lines = [_HEAD]
    for table in ("type", "build", "band", "use", "tolerance"):
        entry = getattr(type_, table)
        values = {key: getattr(entry, key) for key in type(entry).model_fields}
        shown = {key: _shown(table, key, value) for key, value in values.items() if not _left_out(key, value)}
        width = max(len(key) + len(text) for key, text in shown.items()) + 3
        lines.append(f"[{table}]")
        lines += [f"{key} = {text}".ljust(width) + f"   # {_REMARKS[key]}" for key, text in shown.items()]
        lines.append("")
    return "\n".join(lines)


def _left_out(key: str, value: object) -> bool:
    return value is None or (key == "stack" and value == 1) or (key == "title" and value == "")


def _shown(table: str, key: str, value: Any) -> str:
    import tomlkit

    unit = "dB" if table == "tolerance" else _UNITS.get(key)
    return str(tomlkit.item(_quantity(value, unit) if unit else value).as_string())


def _quantity(value: float, unit: str) -> str:
    """Return the value as a person would write it, or with every digit where that would not read back the same."""
    spelt = "ohm" if unit == "Ω" else unit
    short = show_frequency(value) if unit == "Hz" else f"{value:g} {spelt}"
    try:
        same = parse_quantity(short, unit, "value") == value
    except UsageError:
        same = False
    return short if same else f"{value!r} {spelt}"
