"""The two files as text, with comments. What is not answered yet stands in as a message that is never sent."""

from __future__ import annotations

import json

from harness.bench_making.draft import ENDS, Draft
from harness.quantities import parse_quantity, show_frequency

_LATER = "not asked yet"


def quoted(text: str) -> str:
    """Return text as a TOML basic string (TOML 1.0: escapes as JSON has them, and DEL)."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def frequency_text(hz: float) -> str:
    """Return a frequency as text that reads back exactly."""
    shown = show_frequency(hz)
    return shown if parse_quantity(shown, "Hz", "frequency") == hz else f"{hz!r} Hz"


def dialect_text(draft: Draft) -> str:
    """Return the dialect file of what is answered so far."""
    return "\n".join([*_head(draft), *_settings(draft), *_sweep(draft), *_data(draft)]) + "\n"


def _head(draft: Draft) -> list[str]:
    lines = [
        f"# How the analyser of bench {draft.name} is spoken to. Written by question and answer, each answer tried on it:",
        f"# {_comment(draft.identity or 'no identity yet')}",
        "",
        "[dialect]",
        f"name = {quoted(draft.name)}",
        f'style = "{"prompt" if draft.prompted else "message"}"'
        + (" " * 12)
        + "# every reply ends with the prompt, or stands for itself",
        f"end = {quoted(ENDS[draft.end])}".ljust(28) + "# sent after every message; on reading every kind of line end is taken",
    ]
    if draft.prompted:
        lines.append(f"prompt = {quoted(draft.prompt)}")
    if draft.prompted and draft.refusal:
        lines.append(f"refusal = {quoted(draft.refusal)}".ljust(28) + "# a reply that begins so refuses the message")
    lines += [f"echo = {quoted(draft.echo)}", "", "[identify]", f"send = {quoted(draft.identify or _LATER)}"]
    if draft.errors and not draft.prompted:
        lines += [
            "",
            "[errors]".ljust(28) + "# read until 0 after every set-up message and every sweep",
            f"send = {quoted(draft.errors)}",
        ]
    return lines


def _settings(draft: Draft) -> list[str]:
    lines: list[str] = []
    for message in draft.set_up or [_LATER]:
        lines += ["", "[[set_up]]", f"send = {quoted(message)}"]
    first = "# asked after the set-up, before every sweep and after its data"
    for query, gives in draft.read_back or [(_LATER, ("points", "averages"))]:
        lines += ["", "[[read_back]]".ljust(28) + first, f"send = {quoted(query)}", f"gives = {json.dumps(list(gives))}"]
        first = ""
    # A dialect must give points and averages; while the questions are still being asked, a stand-in does.
    missing = [name for name in ("points", "averages") if draft.read_back and name not in draft.given]
    if missing:
        lines += ["", "[[read_back]]", f"send = {quoted(_LATER)}", f"gives = {json.dumps(missing)}"]
    return [line.rstrip() for line in lines]


def _sweep(draft: Draft) -> list[str]:
    done = draft.done or ("" if draft.prompted else _LATER)
    lines = ["", "[sweep]", f"trigger = [{quoted(draft.trigger or _LATER)}]".ljust(28) + "# starts one sweep"]
    if done:
        lines += [
            f"done = {quoted(done)}".ljust(28) + "# answers when the sweep is complete",
            f"done_says = {quoted(draft.done_says)}",
        ]
    return lines


def _data(draft: Draft) -> list[str]:
    lines = ["", "[axis]".ljust(28) + "# the frequencies, as the instrument says them", f"send = {quoted(draft.axis or _LATER)}"]
    lines += [f"form = {quoted(draft.axis_form)}"] + ([f"line = {quoted(draft.axis_line)}"] if draft.axis_form == "lines" else [])
    lines += [
        'within = "1 Hz"',
        "",
        "[data]".ljust(28) + "# complex traces: real and imaginary part in turn",
        f"form = {quoted(draft.form)}",
    ]
    if draft.form == "lines":
        lines.append(f"line = {quoted(draft.line)}".ljust(28) + "# the form of one line, as C prints it")
    elif draft.form != "ascii":
        lines.append(f"order = {quoted(draft.order)}")
    for trace, query in (draft.traces or {"s11": _LATER}).items():
        lines += ["", f"[traces.{trace}]", f"send = {quoted(query)}"]
        if draft.select.get(trace):
            lines.append(f"select = [{quoted(draft.select[trace])}]")
    return lines


def bench_text(draft: Draft, dialect_file: str) -> str:
    """Return the bench file; ``dialect_file``: the name of the dialect file beside it."""
    return (
        "\n".join(
            [
                f"# Bench {draft.name}. Written by question and answer; look it over before the first proof.",
                f"# The analyser says it is: {_comment(draft.identity)}",
                "",
                "[bench]",
                f"name = {quoted(draft.name)}",
                "",
                "[analyser]",
                f"address = {quoted(draft.address)}",
                f"dialect = {quoted('./' + dialect_file)}".ljust(32) + "# the file beside this one",
                f"paths = {quoted(draft.paths)}".ljust(32) + '# "one-path" drives port 1 only; "two-path" drives both',
                f"connector = {quoted(draft.connector)}".ljust(32) + "# what the test cables end in",
                f'timeout_margin = "{draft.margin_s:g} s"'.ljust(32)
                + "# added to the expected time before a reply counts as missing",
                "",
                "[sweep]",
                f"low = {quoted(frequency_text(draft.low_hz))}",
                f"high = {quoted(frequency_text(draft.high_hz))}",
                f"points = {draft.points}",
                f'point_time = "{max(draft.point_time_s, 1e-6) * 1e3:.4g} ms"'.ljust(32)
                + "# measured: sweep and reading, for each point",
                "",
                "[correction]",
                'by = "host"'.ljust(32) + "# this program corrects",
                "max_age_hours = 8".ljust(32) + "# an older calibration is not used",
                "",
                *_standards(),
                *_adapter(draft),
                "[uncertainty]",
                'kit = "plain"'.ljust(32) + '# class of the calibration kit: "plain", "good" or "lab"',
            ]
        )
        + "\n"
    )


def _standards() -> list[str]:
    return [
        "# The calibration standards: ideal here; put in what the maker of yours states.",
        "[standards.short]",
        'inductance = "0 nH"',
        'delay = "0 ps"',
        "",
        "[standards.open]",
        'capacitance = "0 pF"',
        'delay = "0 ps"',
        "",
        "[standards.load]",
        'resistance = "50 ohm"',
        "",
        "[standards.thru]",
        'delay = "0 ps"',
        "",
        "# The loads on the connectors of the unit that no cable is on; swept in the calibration.",
        "[loads.A]",
        "measured = true",
        "",
        "[loads.B]",
        "measured = true",
        "",
    ]


def _adapter(draft: Draft) -> list[str]:
    if draft.unit_connector == draft.connector:
        return []
    lines = [
        "# Stays on the unit's connector during the whole run.",
        "[[adapters]]",
        f"cable = {quoted(draft.connector)}",
        f"unit = {quoted(draft.unit_connector)}",
    ]
    if draft.adapter_delay:
        lines.append(f"delay = {quoted(draft.adapter_delay)}".ljust(32) + "# one way; taken off by calculation")
    return [*lines, ""]


def _comment(text: str) -> str:
    """Return text as it may stand in a comment: one line, printable."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)[:200]
