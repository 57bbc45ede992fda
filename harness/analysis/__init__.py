"""Analysis: corrected sweeps → three-port → figures → uncertainty → decision. Pure: arrays in, frozen values out.

The one entry is::

    evaluate(sweeps, type_, terminations, bands=(), adapters=None, *, residuals=None, seed=SEED, draws=10_000) -> Evaluation

``residuals`` (harness.records.Residuals) are the sizes of what the correction leaves: 95 % magnitudes of circular complex normal
errors, smooth over frequency; without them the default class is assumed, and said. ``Evaluation`` carries ``figures`` (each with
low, high, probability, decision, decides), ``coupling_at`` (each with low and high), ``coupling_table``, ``decision`` and
``probability`` of the unit, ``budget`` (figure → lines whose shares sum to 1), ``uncertainty`` (what was assumed, seed, draws).

Which errors hang together: one draw of the residuals holds for all sweeps of a proof, for the sweeps of the loads and for the
receiver match that the calibration found; drift acts on the unit's sweeps only; every connection, and every cable at each
hook-up, has an error of its own. A termination that was swept (``Termination.swept``) carries the residuals through its sweep;
one that is bounded lies evenly in the disc of its bound. In a full two-path correction the receiver match that is left is what
directivity did to the thru, besides its own size.
"""

from harness.analysis.adapters import AdapterModel, DelayAndLoss, remove_adapters
from harness.analysis.bands import Band, parse_bands
from harness.analysis.evaluate import REQUIRED_SWEEPS, Evaluation, evaluate
from harness.analysis.readings import UNIT_SWEEPS, Reading, Sweeps, Termination, Terminations, readings_of

__all__ = [
    "REQUIRED_SWEEPS",
    "UNIT_SWEEPS",
    "AdapterModel",
    "Band",
    "DelayAndLoss",
    "Evaluation",
    "Reading",
    "Sweeps",
    "Termination",
    "Terminations",
    "evaluate",
    "parse_bands",
    "readings_of",
    "remove_adapters",
]
