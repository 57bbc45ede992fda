"""Keep the sessions in README.md real: run every ``$ tapproof …`` line and compare or write what it prints.

``python tools/readme_session.py`` compares (exit 1 where they differ); ``--write`` puts the real output into the page.
Times, ids and the log folder's place differ from run to run; they are written as on the day the page was made and not compared.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

PAGE = Path(__file__).parent.parent / "README.md"
BLOCK = re.compile(r"```\n\$ (tapproof [^\n]*)\n(.*?)```", re.DOTALL)
SHOWN_LOG = "~/.local/share/tapproof"
UNRUN = ("--from my-sweeps",)
VARIES = (
    (r"\d{8}T\d{6}Z-[0-9a-f]{12}", "TIME-ID"),
    (r"\d{4}-\d\d-\d\d \d\d:\d\d", "TIME"),
    (r"-\d+\.\d dB of a total", "X dB of a total"),
    (r"proof [0-9a-f]{12} of \d{4}-\d\d-\d\d", "proof ID of DAY"),
)


def run(command: str, log: Path) -> str:
    """Return what a command prints on both streams, the log folder's place replaced."""
    words = [sys.executable, "-c", "from harness.cli import main; main()", *shlex.split(command)[1:]]
    environment = {**os.environ, "TAPPROOF_LOG": str(log), "COLUMNS": "100", "NO_COLOR": "1"}
    done = subprocess.run(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False, env=environment)  # noqa: S603
    return done.stdout.replace(str(log), SHOWN_LOG).strip("\n") + "\n"


def bare(text: str) -> str:
    """Return text with everything that differs from run to run masked."""
    for pattern, word in VARIES:
        text = re.sub(pattern, word, text)
    return "\n".join(line.rstrip() for line in text.splitlines())


def real_page(page: str) -> str:
    """Return the page with the real output in every block."""
    with tempfile.TemporaryDirectory() as folder:

        def replaced(match: re.Match[str]) -> str:
            command = match[1]
            if any(part in command for part in UNRUN):
                return match[0]
            return f"```\n$ {command}\n{run(command, Path(folder) / 'log')}```"

        return BLOCK.sub(replaced, page)


def main() -> int:
    """Compare, or with ``--write`` write."""
    page = PAGE.read_text("utf-8")
    real = real_page(page)
    if "--write" in sys.argv:
        PAGE.write_text(real, "utf-8")
        return 0
    if bare(page) != bare(real):
        sys.stderr.write("README.md does not show what the program prints; run: python tools/readme_session.py --write\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
