"""The table of a characterisation: term, size, how it was found, what bounds it."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, log10
from typing import TYPE_CHECKING

from harness.records import Residuals
from harness.records.characterisation import Term, Verdict

if TYPE_CHECKING:
    from harness.calibration.characterise import Seen

LEAST = 1e-9


def level_db(linear: float) -> float:
    """Return a linear size as a level in dB, rounded up to 0.1 dB; −120 dB at the least."""
    return max(-120.0, ceil(200 * log10(max(linear, LEAST))) / 10)


def share_db(linear: float) -> float:
    """Return a linear size of a factor as ± dB, rounded up to 0.001 dB."""
    return ceil(20000 * log10(1 + linear)) / 1000


def terms_of(seen: Seen, stated: Residuals, found: Residuals, reference: str, worse: Mapping[str, bool]) -> tuple[Term, ...]:
    """Return the table's lines.

    ``reference``: what the ripple is seen against; ``worse``: which of "directivity", "source_match", "connector" are surely
    worse than stated.
    """
    return (
        *_ripple(seen, stated, found, reference, worse),
        *_thru(seen, stated, found),
        *_hands(seen, stated, found, worse["connector"]),
    )


def _ripple(seen: Seen, stated: Residuals, found: Residuals, reference: str, worse: Mapping[str, bool]) -> tuple[Term, ...]:
    both = "short and load behind the offset"
    mean = share_db(seen.mean)
    return (
        Term(
            term="directivity",
            size_db=found.directivity,
            stated_db=stated.directivity,
            seen_db=found.directivity,
            verdict=_verdict(found.directivity, stated.directivity, worse["directivity"]),
            how=f"ripple of {both}",
            bound=reference,
        ),
        Term(
            term="source match",
            size_db=found.source_match,
            stated_db=stated.source_match,
            seen_db=found.source_match,
            verdict=_verdict(found.source_match, stated.source_match, worse["source_match"]),
            how=f"ripple of {both}, at twice the cable's way",
            bound=f"{reference}; blind where the cable is half a wave, or far less",
        ),
        Term(
            term="reflection tracking",
            size_db=found.reflection_tracking,
            stated_db=stated.reflection_tracking,
            seen_db=None,
            verdict="worse than stated" if mean > stated.reflection_tracking else "not seen",
            how="the stated size, or the mean error of short and open in the ripple where that is larger",
            bound="the difference of short and open is in the calibration and in the check alike: the stated size bounds it",
        ),
    )


def _verdict(size: float, stated: float, worse: bool) -> Verdict:
    if worse:
        return "worse than stated"
    if abs(size - stated) < 0.05:
        return "as stated"
    return "better than stated" if size < stated else "not proved as good as stated"


def _thru(seen: Seen, stated: Residuals, found: Residuals) -> tuple[Term, ...]:
    own = "the thru's own error is in the calibration and in the check alike: the stated size bounds it"
    receiver, passed = level_db(seen.receiver), share_db(seen.transmission)
    return (
        Term(
            term="receiver match",
            size_db=found.receiver_match,
            stated_db=stated.receiver_match,
            seen_db=receiver,
            verdict="worse than stated" if receiver > stated.receiver_match else "not seen",
            how="thru again, its reflection against the calibration's",
            bound=own,
        ),
        Term(
            term="transmission tracking",
            size_db=found.transmission_tracking,
            stated_db=stated.transmission_tracking,
            seen_db=passed,
            verdict="worse than stated" if passed > stated.transmission_tracking else "not seen",
            how="thru again, its transmission against the calibration's",
            bound=own,
        ),
    )


def _hands(seen: Seen, stated: Residuals, found: Residuals, worse: bool) -> tuple[Term, ...]:
    cable = share_db(seen.cable)
    return (
        Term(
            term="connector",
            size_db=found.connector,
            stated_db=stated.connector,
            seen_db=found.connector,
            verdict=_verdict(found.connector, stated.connector, worse),
            how="load and thru taken apart and made again",
            bound="a few connections of two kinds: the size is wider for that; the unit's own connectors may repeat otherwise",
        ),
        Term(
            term="cable",
            size_db=found.cable,
            stated_db=stated.cable,
            seen_db=cable,
            verdict="worse than stated" if cable > stated.cable else "not seen",
            how="short and thru taken apart and made again",
            bound="the cables move less than from hook-up to hook-up of a unit: the stated size bounds it",
        ),
        Term(
            term="trace noise",
            size_db=level_db(seen.noise),
            stated_db=None,
            seen_db=level_db(seen.noise),
            verdict="not seen",
            how="differences of neighbouring points of the load, root mean square",
            bound="for information: every proof finds its own from its sweeps",
        ),
        *(
            Term(
                term=name.replace("_", " "),
                size_db=getattr(stated, name),
                stated_db=getattr(stated, name),
                seen_db=None,
                verdict="not seen",
                how="not looked at",
                bound="the stated size",
            )
            for name in ("isolation", "linearity", "drift")
        ),
    )
