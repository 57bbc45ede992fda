"""What the diagnosis of a unit rests on, as it is kept in ``proof.json`` beside the circuit and the faults."""

from __future__ import annotations

from harness.records.fields import FileModel


class FitRemainder(FileModel):
    """What the best explanation leaves of the readings, for a plot by sweep and frequency.

    ``hz``: the frequencies, (F,). ``off``: reading ("coupled s21") → how far it is from the fit at each of them, in standard
    deviations, (F,). ``band_hz``: from where to where it is too far off, None where it is nowhere.
    """

    hz: tuple[float, ...]
    off: dict[str, tuple[float, ...]]
    band_hz: tuple[float, float] | None = None


class DiagnosisNote(FileModel):
    """How the faults were looked for: from which sweeps, or why they were not.

    ``explanation``: the one that the circuit belongs to ("healthy", a fault, or two with a + between them); "" where nothing was
    looked for. ``core``: class of the core's material, or "not distinguishable". ``weights``: explanation → probability, the
    largest first, those below one in a thousand left out.
    """

    says: str
    explanation: str = ""
    core: str = ""
    weights: dict[str, float] = {}
    remainder: FitRemainder | None = None
