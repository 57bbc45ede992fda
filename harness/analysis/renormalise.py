"""Assembly of a three-port from full two-path pairs by renormalisation: the independent check of the estimator.

J. C. Tippet and R. A. Speciale, "A rigorous technique for measuring the scattering matrix of a multiport device with a 2-port
network analyzer", IEEE Trans. Microwave Theory Tech. MTT-30 (1982): each pair is renormalised to the impedances of the loads,
the pairs are put together, and the whole is renormalised back. Exact when the loads are known and stay with their ports.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from harness.analysis.readings import UNIT_HOOKUPS, Complex, Sweeps, Terminations, is_corrected_both_ways, repeats_of

Z0 = 50.0
PAIRS = ("line", "coupled", "coupled-far")


def assemble_pairs(pairs: Mapping[tuple[int, int], Complex], loads: Complex) -> Complex:
    """Return the three-port, shape (F, 3, 3), not symmetrised.

    ``pairs``: (port, port) → S of this pair, (F, 2, 2), for all three of (0, 1), (0, 2), (1, 2), taken with the third port on its
    load. ``loads``: the reflection that each port's load has, (F, 3). A diagonal element is the mean of both pairs.
    """
    from skrf.network import renormalize_s

    z_loads = Z0 * (1 + loads) / (1 - loads)
    sums = np.zeros((len(loads), 3, 3), dtype=np.complex128)
    counts = np.zeros((3, 3))
    for pair, s in pairs.items():
        rows, columns = np.ix_(pair, pair)
        sums[:, rows, columns] += renormalize_s(s, Z0, z_loads[:, list(pair)], s_def="pseudo")
        counts[rows, columns] += 1
    return np.asarray(renormalize_s(sums / counts, z_loads, Z0, s_def="pseudo"), dtype=np.complex128)


def assembled_from(sweeps: Sweeps, terminations: Terminations) -> Complex | None:
    """Return the three-port of full two-path sweeps line, coupled and coupled-far, or None where these three are not there."""
    if not all(is_corrected_both_ways(sweeps, name) for name in PAIRS):
        return None
    pairs = {}
    for name in PAIRS:
        ports = UNIT_HOOKUPS[name]
        mean = np.mean([sweep.matrix() for sweep in repeats_of(sweeps, name)], axis=0)
        pairs[ports.driven, ports.received or 0] = mean
    gamma = terminations.loads["A"].gamma
    return assemble_pairs(pairs, np.stack([gamma] * 3, axis=1))
