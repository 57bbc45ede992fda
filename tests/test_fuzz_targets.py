"""The fuzz targets on their seeds, on their seeds spoilt, and on anything: what the long runs of docs/fuzzing.md do at length."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS, seeds


@pytest.mark.parametrize("name", TARGETS)
def test_every_seed_passes(name: str) -> None:
    for seed in seeds(name):
        TARGETS[name](seed)


@pytest.mark.parametrize("name", TARGETS)
@given(data=st.data())
@settings(max_examples=40)
def test_a_spoilt_seed_and_any_bytes_pass(name: str, data: st.DataObject) -> None:
    seed = data.draw(st.sampled_from(seeds(name)))
    at, gone = data.draw(st.integers(0, len(seed))), data.draw(st.integers(0, 4))
    TARGETS[name](seed[:at] + data.draw(st.binary(max_size=8)) + seed[at + gone :])
    TARGETS[name](data.draw(st.binary(max_size=60)))


def test_an_answer_to_a_setting_in_other_letters_is_a_reply_error_only() -> None:
    """Found by the fuzzer: an answer that is not ASCII was no ReplyError where a number was expected."""
    TARGETS["settings"](b"\xf4" * 10 + b"\x0016")
    TARGETS["settings"](b"\x02\xf4\xf4")
