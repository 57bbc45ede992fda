"""The sessions in README.md are what the program really prints."""

from __future__ import annotations

import pytest

from tools.readme_session import BLOCK, PAGE, bare, real_page


@pytest.mark.thorough
def test_the_sessions_are_real() -> None:
    page = PAGE.read_text("utf-8")
    assert len(BLOCK.findall(page)) >= 4
    assert bare(real_page(page)) == bare(page), "run: python tools/readme_session.py --write"


def test_the_job_stands_first_and_the_two_commands_follow() -> None:
    page = PAGE.read_text("utf-8")
    assert page.index("RF samplers") < page.index("make demo") < page.index("make test") < page.index("## A first session")
    assert "## Cautions" in page
