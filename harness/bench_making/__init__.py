"""Making a bench: question and answer from what a manual says, each answer tried on the instrument, then two files. Pure.

The person and the instrument are ports: :class:`Asker` and :class:`Trial`.
"""

from harness.bench_making.draft import Draft
from harness.bench_making.flow import make_bench
from harness.bench_making.ports import Asker, Question, Trial
from harness.bench_making.texts import bench_text, dialect_text

__all__ = ["Asker", "Draft", "Question", "Trial", "bench_text", "dialect_text", "make_bench"]
