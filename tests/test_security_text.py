"""Text from strangers on the terminal: escapes (ECMA-48) in files, notes and instrument replies are shown, not sent."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from rich.console import Console

from drivers.transcript import Transcript, escaped
from harness.bench_making import Question
from harness.cli.output import printable
from harness.operators import TerminalOperator
from harness.operators.terminal_questions import TerminalAsker
from harness.ports import Event, Request
from harness.touchstone import clean_comment, read_sweep
from tests.command_line import Program, write_bench

HOSTILE = "\x1b[2J\x1b]0;title\x07\x9b31m\r\x08\x00\u202e"
"""Clear the screen, set the title, an 8-bit CSI, back to the line's start, backspace, NUL, right-to-left override."""
STEERING = ("\x1b", "\x9b", "\x07", "\x08", "\x00", "\u202e")


class Keys:
    """A person who says that it is done."""

    def is_terminal(self) -> bool:
        return True

    def flush(self) -> None:
        """Nothing was typed ahead."""

    def line(self) -> str | None:
        return ""


def steers(text: str) -> list[str]:
    return [repr(letter) for letter in STEERING if letter in text] + (["\\r"] if "\r" in text else [])


def test_printable_shows_every_control_character() -> None:
    assert steers(printable(HOSTILE)) == []
    assert "\\x1b[2J" in printable(HOSTILE)


def test_prompts_notes_and_progress_show_escapes() -> None:
    heard = io.StringIO()
    operator = TerminalOperator(Console(file=heard, force_terminal=False, soft_wrap=True), Keys())
    operator.ask(Request("connect", f"Hook-up {HOSTILE}", (f"Connect {HOSTILE}",)))
    operator.tell(Event("note", f"note {HOSTILE}"))
    operator.tell(Event("swept", f"line {HOSTILE}"))
    assert steers(heard.getvalue()) == []
    assert heard.getvalue().count("\\x1b[2J") == 4


def test_questions_about_a_bench_show_escapes_of_the_instrument() -> None:
    heard = io.StringIO()
    asker = TerminalAsker(Console(file=heard, force_terminal=False, soft_wrap=True), Keys())
    asker.tell(f"it says it is {HOSTILE}")
    asker.ask(Question("key", f"text {HOSTILE}", f"help {HOSTILE}", f"default {HOSTILE}"))
    assert steers(heard.getvalue()) == []


def test_a_transcript_is_plain_text_whatever_came() -> None:
    every = bytes(range(256))
    assert escaped(every).isascii()
    assert escaped(every).isprintable()
    transcript = Transcript()
    transcript.remark(0.0, HOSTILE)
    assert steers(transcript.take()) == []


def test_comments_of_a_touchstone_file_come_out_clean() -> None:
    sweep = read_sweep(
        f"! {HOSTILE.replace(chr(13), '').replace(chr(0), '')} said\n# Hz S RI R 50\n1e6 .1 .2\n", "sample", 1, "a.s1p"
    )
    assert any("said" in comment for comment in sweep.comments)
    assert steers("".join(sweep.comments)) == []
    assert clean_comment(HOSTILE).isascii()


@pytest.fixture
def program(capsys: pytest.CaptureFixture[str]) -> Program:
    return Program(capsys)


def test_what_commands_print_of_files_and_notes_shows_escapes(program: Program, tmp_path: Path) -> None:
    toml = HOSTILE.encode("unicode_escape").decode().replace("\\x", "\\u00").replace("\\r", "\\r")
    bench = write_bench(tmp_path)
    text = bench.read_text("utf-8").replace('name = "acceptance"', f'name = "acceptance"\ntitle = "{toml}"')
    bench.write_text(text, "utf-8")
    log, note = tmp_path / "log", HOSTILE.replace("\x00", "")
    words = ("--type", "hf30", "--bench", bench, "--sequence", "line-sampler-quick", "--yes", "--log", log)
    said = [program("prove", "U1", *words, "--note", note, "--who", note, "--batch", "B")]
    assert said[0].status in (0, 4), said[0].text
    commands = [("list",), ("show", "U1"), ("batch", "B"), ("log", "check"), ("prove", "U1", *words[:-2], "--steps")]
    said += [program(*command, "--log", log) for command in commands]
    said += [program("prove", "U1", "--type", f"{tmp_path}/{note}.toml", "--from", tmp_path, "--log", log)]
    for one in said:
        assert steers(one.text) == [], one.text
