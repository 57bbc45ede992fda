"""The link faults that are tried, as scripts, and how each has to end on each kind of link.

An end is "right" (the numbers of this sweep, and nothing had to be done), "recovered" (the same after a remark in the transcript
that holds the stated text), or the kind of the one error; several with a bar between where it is a matter of when the bytes
come. The expectations are the project's own rules for each fault; a dash stands where the fault cannot happen on the link.

In virtual time a case ends as stated and not otherwise. On a real link the machine has a part in when bytes come. Where that
decides, one clear error is an end as well: where a link has to be awaited until it is silent or is there again; and where the
fault itself is a matter of time (``timed``), right numbers are too. Wrong numbers never are an end.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from drivers.simulated import link_faults as lf
from drivers.simulated.link_faults import LinkFault

MARGIN_S = 1.0
POINTS = 21
GONE_S = 0.3
KINDS = ("serial", "tcp", "hislip")
ANY_CLEAR_ERROR = "link|timeout|reply|refused"
Changes = tuple[tuple[str, str], ...]

PLAIN = {
    "identity": "who",
    "setting": "span",
    "last setting": "average",
    "set points": f"span 1000000.000 100000000.000 {POINTS}",
    "trigger": "take",
    "done": "take",
    "data": "gamma",
    "data 2": "forward",
    "axis": "axis",
}
SCPI = {
    "identity": "*IDN?",
    "setting": "SENSe:SWEep:POINts?",
    "last setting": "SENSe:CORRection:STATe?",
    "set points": f"SENSe:SWEep:POINts {POINTS}",
    "trigger": "INITiate:IMMediate",
    "done": "*OPC?",
    "data": "TRACe:DATA? S11",
    "data 2": "TRACe:DATA? S21",
    "axis": "TRACe:DATA? FREQ",
    "errors": "SYSTem:ERRor?",
}
ASCII: Changes = (('form = "real64"', 'form = "ascii"'),)
ECHO: Changes = (('echo = "off" ', 'echo = "on" '),)

Script = Callable[[Mapping[str, str], str], tuple[LinkFault, ...]]
"""(the language's messages, the link) → faults."""


@dataclass(frozen=True)
class Case:
    """One fault. ``ends`` by link, or one for all; ``says`` must stand in the error or the remark.

    ``stage``: whether it strikes the set-up or the sweep. ``double``: the bench file asks for double reading on every link.
    ``changes``: what is changed in the dialect file, by link. ``echo``: the instrument echoes. ``real_only``: the virtual wire
    has no such thing. ``slow``: takes more than five seconds on a real link. ``timed``: the fault is a matter of time.
    """

    name: str
    script: Script
    ends: str | Mapping[str, str]
    says: str = ""
    stage: str = "sweep"
    double: bool = False
    changes: Mapping[str, Changes] = field(default_factory=dict)
    echo: bool = False
    real_only: bool = False
    slow: bool = False
    timed: bool = False

    def end(self, link: str, *, real: bool = False) -> str:
        """How the fault has to end on this link; ``real``: where time is the machine's."""
        stated = self.ends if isinstance(self.ends, str) else self.ends.get(link, "-")
        if not real or stated == "-":
            return stated
        if self.timed:
            return f"{stated}|right|recovered|{ANY_CLEAR_ERROR}"
        awaits_silence = link == "serial" and stated != "right"
        return f"{stated}|{ANY_CLEAR_ERROR}" if awaits_silence or "recovered" in stated else stated


def at(which: str, spoil: lf.Spoil | None = None, **more: object) -> Script:
    """A script of one fault at one message."""
    return lambda words, link: (LinkFault(words[which], spoil, **more),)  # type: ignore[arg-type]  # keywords of LinkFault


def by_link(serial: lf.Spoil, other: lf.Spoil, which: str = "data", **more: object) -> Script:
    """A script that spoils text on the serial line, and binary blocks elsewhere."""
    return lambda words, link: (LinkFault(words[which], serial if link == "serial" else other, **more),)  # type: ignore[arg-type]


def _lines(change: Callable[[list[bytes]], list[bytes]]) -> lf.Spoil:
    """Change the lines of a plain reply; its prompt stays."""

    def apply(answer: bytes) -> bytes:
        *lines, prompt = answer.split(b"\r\n")
        return b"\r\n".join([*change(lines), prompt])

    return lf.changed(apply)


def _block(change: Callable[[bytes], bytes]) -> lf.Spoil:
    """Change the payload of a block; the header says the length that it then has."""

    def apply(answer: bytes) -> bytes:
        start = 2 + answer[1] - 0x30
        payload = change(answer[start:-1])
        length = str(len(payload)).encode()
        return b"#" + str(len(length)).encode() + length + payload + b"\n"

    return lf.changed(apply)


def _number(value: float) -> lf.Spoil:
    return _block(lambda payload: payload[:80] + struct.pack(">d", value) + payload[88:])


def _line(text: bytes) -> lf.Spoil:
    return _lines(lambda lines: [*lines[:5], text, *lines[6:]])


def _unheard(words: Mapping[str, str], link: str, times: int | None) -> tuple[LinkFault, ...]:
    # The plain instrument answers an empty line with its prompt: it says "done" and has done nothing.
    return (LinkFault(words["trigger"], hears=lambda line: b"\n" if link == "serial" else b"", times=times),)


CASES: tuple[Case, ...] = (
    Case("reply late, within the deadline", at("data", lf.late(0.4)), "right"),
    Case("end of the sweep late, beyond the deadline", at("done", lf.late(2.2)), "timeout", "no complete reply to", timed=True),
    Case("data late, beyond the deadline", at("data", lf.late(2.2)), "timeout", "no complete reply to", timed=True),
    Case(
        "answer to a setting late, beyond the deadline",
        at("setting", lf.late(2.2)),
        "timeout",
        "no complete reply to",
        timed=True,
    ),
    Case("reply torn in four, with pauses", at("data", lf.torn(0.001, 0.4, 0.99, gap=0.05)), "right"),
    Case("reply byte by byte", at("data", lf.byte_by_byte()), "right"),
    Case(
        "byte lost in the data",
        at("data", lf.without_byte(0.37)),
        {"serial": "recovered", "tcp": "timeout", "hislip": "timeout"},
    ),
    Case("byte lost in the data, double reading", at("data 2", lf.without_byte(0.62)), {"serial": "recovered"}, "set aside"),
    Case(
        "byte doubled in the data",
        at("data", lf.with_bytes(0.41, b"1")),
        {"serial": "recovered", "tcp": "reply", "hislip": "reply"},
    ),
    Case(
        "bit flipped: another digit, another mantissa",
        by_link(lf.flipped(0.3, 0, digit=True), lf.flipped(0.3003, 2)),
        "recovered",
        "differ: read again",
        double=True,
    ),
    Case("a bit flipped somewhere in each reading", at("data", lf.flipped_somewhere, times=None), "reply", double=True),
    Case("bit flipped in the answer to a setting", at("setting", lf.flipped(0.5, 0, digit=True)), "recovered", "as before"),
    Case(
        "bit flipped in a message to the instrument",
        at("trigger", hears=lambda line: bytes([line[0] ^ 1]) + line[1:]),
        "refused",
    ),
    Case(
        "echo, and the dialect knows of none",
        lambda words, link: (LinkFault(words["identity"], lf.with_bytes(0, f"{words['identity']}\r\n".encode()), times=None),),
        "reply",
        "echo",
    ),
    Case(
        "echo garbled",
        lambda words, link: (LinkFault(words["data"], lf.changed(lambda answer: b"X" + answer[1:])),),
        {"serial": "recovered", "tcp": "reply"},
        "echo",
        changes={"serial": ECHO, "tcp": (('end = "\\n"', 'end = "\\n"\necho = "on"'),)},
        echo=True,
    ),
    Case(
        "echo stops",
        lambda words, link: (LinkFault(words["identity"], lf.changed(lambda answer: answer.partition(b"\r\n")[2]), times=None),),
        {"serial": "reply", "tcp": "reply"},
        "echo",
        changes={"serial": ECHO, "tcp": (('end = "\\n"', 'end = "\\n"\necho = "on"'),)},
        echo=True,
    ),
    Case(
        "prompt inside the data, at a line's start",
        at("data", _lines(lambda lines: [b"ok: " + lines[0], *lines[1:]])),
        {"serial": "recovered"},
    ),
    Case(
        "prompt as a line of the data", at("data", _lines(lambda lines: [lines[0], b"ok: ", *lines[1:]])), {"serial": "recovered"}
    ),
    Case("line end inside a block", at("data", lf.with_bytes(0.5, b"\n")), {"tcp": "reply", "hislip": "reply"}),
    Case(
        "one point too few",
        by_link(_lines(lambda lines: lines[:-1]), _block(lambda payload: payload[:-16]), times=None),
        "reply",
        "expected",
    ),
    Case(
        "one point too many",
        by_link(_lines(lambda lines: [*lines, lines[-1]]), _block(lambda payload: payload + payload[-16:]), times=None),
        "reply",
        "expected",
    ),
    Case(
        "not a number in the data",
        by_link(_line(b"+nan +0.000000000000e+00"), _number(float("nan")), times=None),
        "reply",
    ),
    Case(
        "9.91E37 in the data",
        by_link(_line(b"+9.910000000000e+37 +0.000000000000e+00"), _number(9.91e37), times=None),
        "reply",
        "no value",
    ),
    Case("stale data: the trigger is not heard, once", lambda words, link: _unheard(words, link, 1), "recovered", "sweep again"),
    Case(
        "stale data: the trigger is never heard",
        lambda words, link: _unheard(words, link, None),
        "reply",
        "the one of the sweep before",
    ),
    Case(
        "done said too early: half of the data is of the sweep before",
        lambda words, link: (LinkFault(words["data"], lf.half_old, times=2 if link == "serial" else 1),),
        "recovered",
        "sweep again",
    ),
    Case("sweep that never ends", at("done", lf.never), "timeout", "nothing came"),
    Case(
        "error queue filling",
        lambda words, link: (
            (LinkFault(words["trigger"], lf.changed(lambda answer: b"error: overload\r\nok: ")),)
            if link == "serial"
            else (LinkFault(words["errors"], lf.changed(lambda answer: b'-310,"System error"\n'), times=None),)
        ),
        "refused",
    ),
    Case("another instrument on the same port", at("identity", becomes="OTHER,instrument,7,7"), "link", "another instrument"),
    Case("device vanishes at the trigger and comes back", at("trigger", lf.unplugged(GONE_S)), "recovered", "a new sweep"),
    Case(
        "device vanishes within the data and comes back",
        lambda words, link: (LinkFault(words["data"], lambda told: [*lf.cut_off(0.5)(told), *lf.unplugged(GONE_S)(told)]),),
        "recovered",
        "a new sweep",
    ),
    Case("device vanishes for good", at("data", lf.unplugged(None)), "link", "did not come back"),
    Case(
        "device vanishes, another comes back",
        lambda words, link: (
            LinkFault(words["trigger"], lf.unplugged(GONE_S)),
            LinkFault(words["identity"], becomes="OTHER,instrument,7,7", skip=1),
        ),
        "link",
        "another instrument",
        timed=True,
    ),
    Case(
        "device vanishes and comes back with its defaults",
        lambda words, link: (
            LinkFault(words["trigger"], lf.unplugged(GONE_S)),
            LinkFault(words["identity"], reset=True, skip=1),
        ),
        "recovered",
        "set up again",
    ),
    Case("analyser reset between set-up and sweep", at("identity", reset=True), "reply", "settings changed since the set-up"),
    Case(
        "analyser reset while it sweeps",
        at("done", lf.changed(lambda answer: answer), reset=True),
        {"serial": "reply", "tcp": "timeout", "hislip": "timeout"},
    ),
    Case(
        "analyser reset while its data are read",
        at("setting", reset=True, skip=1),
        "reply",
        "while the sweep ran",
    ),
    Case(
        "reply without end",
        at("data", lf.endless(b"1" * 64, 0.002, 20_000)),
        {"serial": "timeout", "tcp": "reply", "hislip": "reply|timeout"},
        slow=True,
    ),
    Case("2 MB of noise", at("data", lf.noise(2_000_000)), {"serial": "recovered", "tcp": "reply", "hislip": "reply"}),
    Case(
        "decimal comma",
        lambda words, link: (
            LinkFault(
                words["data"],
                lf.changed(lambda answer: answer.replace(b".", b",")),
                times=None,
            ),
        ),
        "reply",
        "comma",
        changes={"tcp": ASCII, "hislip": ASCII},
    ),
    Case(
        "block header says too much",
        at("data", lf.changed(lambda answer: answer.replace(b"#3336", b"#3436", 1))),
        {"tcp": "reply", "hislip": "reply"},
        "its header says 436",
    ),
    Case(
        "block header says too little",
        at("data", lf.changed(lambda answer: answer.replace(b"#3336", b"#3236", 1))),
        {"tcp": "reply", "hislip": "reply"},
        "its header says 236",
    ),
    Case(
        "block header without a length",
        at("data", lf.changed(lambda answer: b"#0" + answer[5:])),
        {"tcp": "reply", "hislip": "reply"},
        "no length",
    ),
    Case(
        "peer closes within the data",
        at("data", lf.cut_off(0.5, "close")),
        {"tcp": "recovered", "hislip": "recovered"},
        "a new sweep",
    ),
    Case("peer silent from now on", at("trigger", lf.silent()), "timeout", slow=True),
    Case(
        "data sent twice at once",
        at("data", lf.again()),
        {"serial": "recovered", "tcp": "reply", "hislip": "right|reply"},
        timed=True,
    ),
    Case(
        "data sent twice, the second late",
        at("data", lf.again(0.02)),
        {"serial": "right|recovered", "tcp": "reply", "hislip": "right|reply"},
        timed=True,
    ),
    Case(
        "data sent four times, the copies late",
        at("data", lf.again(0.02, copies=3)),
        {"serial": "recovered|reply", "tcp": "reply", "hislip": "right|reply"},
        timed=True,
    ),
    Case("unasked lines before an answer", at("setting", lf.with_bytes(0, b"READY\r\nSELF TEST PASSED\r\n")), "reply"),
    Case(
        "setting not taken",
        at("set points", hears=lambda line: line.replace(b" 21", b" 31")),
        "reply",
        "was asked for",
        stage="set up",
    ),
    Case(
        "frequencies that were not asked for",
        by_link(
            _lines(lambda lines: [*lines[:-1], b"00000100000005.000"]),
            _block(lambda payload: payload[:-8] + struct.pack(">d", 100_000_005.0)),
            "axis",
        ),
        "reply",
        "the analyser says it is at",
        stage="set up",
    ),
    Case("message of another id in between", at("data", lf.framed("other id")), {"hislip": "right"}, real_only=True),
    Case(
        "message header without prologue",
        at("data", lf.framed("no prologue")),
        {"hislip": "recovered"},
        "a new sweep",
        real_only=True,
    ),
    Case("message header says too much", at("data", lf.framed("too long")), {"hislip": "timeout"}, real_only=True, slow=True),
)
