"""What a bench leaves in its corrected readings: the sizes of the residual errors, as one frozen value.

**What a size means.** Each residual is an error that turns slowly with frequency, of unknown phase. Its size is a 95 % bound: at
any one frequency its magnitude is at or below the size in 95 of 100 benches, as that of a circular complex normal error is (the
standard deviation of its real and of its imaginary part is the size divided by 2.4477, the 95 % point of the Rayleigh
distribution). Over frequency it is a sum of phasors exp(−j2πfτ), τ spread evenly from 0 to 10 ns, there and back.
A *bound* (of a load that was not swept, of an adapter) is a hard one: the reflection lies evenly anywhere in the disc of this
radius.

The value may come from the class of a calibration kit, from a bench file, or from a dated characterisation record.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from harness.records.fields import Decibels, FileModel, Title

KitClass = Literal["plain", "good", "lab"]
DEFAULT_KIT: KitClass = "plain"

Level = Annotated[Decibels, Field(le=-10, ge=-200)]
"""A size relative to a total reflection or a through connection, in dB, negative."""
Share = Annotated[Decibels, Field(ge=0, le=3)]
"""A size as ± dB on a reading."""


class Residuals(FileModel):
    """Sizes of the residual errors of one bench, 95 % each. See the module for what a size means."""

    source: Title
    """Where the sizes come from, in words."""
    directivity: Level
    source_match: Level
    reflection_tracking: Share
    transmission_tracking: Share
    receiver_match: Level
    """What the thru leaves of the receiver match, besides what directivity and source match do to it."""
    isolation: Level
    linearity: Share
    """For every 10 dB below a total reflection or a through connection."""
    connector: Level
    """How much the reflection of a connector changes when it is made again."""
    cable: Share
    """How much a cable's transmission changes when it is moved from hook-up to hook-up."""
    drift: Level
    """How far each error term has wandered since the calibration."""
    per_kelvin: Share = 0.0
    """How far transmission moves with a kelvin of temperature."""
    calibrated_celsius: float | None = None
    """The temperature of the calibration, where it is known."""
    ambient_celsius: float | None = None
    """The temperature of the proof, where it is given."""
    adapters: dict[str, Level] = {}
    """Unit connector ("line in", "line out", "sample") → bound of what is left of its adapter's reflection."""


KITS: dict[KitClass, Residuals] = {
    "plain": Residuals.model_construct(
        source="class plain: standards without a data sheet, cables of any kind; sizes chosen, no source",
        directivity=-36.0, source_match=-34.0, reflection_tracking=0.08, transmission_tracking=0.05, receiver_match=-38.0,
        isolation=-80.0, linearity=0.015, connector=-50.0, cable=0.02, drift=-54.0,
    ),
    "good": Residuals.model_construct(
        source="class good: standards with a data sheet for this range, cables that stay; sizes chosen, no source",
        directivity=-42.0, source_match=-40.0, reflection_tracking=0.04, transmission_tracking=0.025, receiver_match=-44.0,
        isolation=-90.0, linearity=0.006, connector=-56.0, cable=0.008, drift=-60.0,
    ),
    "lab": Residuals.model_construct(
        source="class lab: characterised standards, phase-stable cables, a warm analyser; sizes chosen, no source",
        directivity=-48.0, source_match=-46.0, reflection_tracking=0.015, transmission_tracking=0.01, receiver_match=-50.0,
        isolation=-100.0, linearity=0.002, connector=-62.0, cable=0.003, drift=-66.0,
    ),
}  # fmt: skip
"""Sizes by class of calibration kit, for 1 to 100 MHz and a calibration of some hours."""


class UncertaintyEntry(FileModel):
    """``[uncertainty]``: the class of the calibration kit, and what is known better than that, in dB."""

    kit: KitClass = DEFAULT_KIT
    directivity: Level | None = None
    source_match: Level | None = None
    reflection_tracking: Share | None = None
    transmission_tracking: Share | None = None
    receiver_match: Level | None = None
    isolation: Level | None = None
    linearity: Share | None = None
    connector: Level | None = None
    cable: Share | None = None
    drift: Level | None = None
    per_kelvin: Share | None = None
    calibrated_celsius: float | None = Field(default=None, ge=-40, le=60)
    characterised: bool = True
    """Whether the bench's newest characterisation stands before these sizes, where there is one that is not too old."""
    offset_match: Level = -40.0
    """How well the cable of a characterisation is matched, 95 %: −40 dB is 50 ± 1 Ω."""

    def residuals(self) -> Residuals:
        """Return the sizes: those of the class, with the keys given here in their place."""
        given = {key: value for key in Residuals.model_fields if (value := getattr(self, key, None)) is not None}
        kit = KITS[self.kit]
        changed = [key.replace("_", " ") for key in given]
        source = kit.source + (f"; from the bench file: {', '.join(changed)}" if changed else "")
        return kit.model_copy(update={**given, "source": source})


def default_residuals() -> Residuals:
    """Return what is assumed where no bench is given: the default class, and says so."""
    kit = KITS[DEFAULT_KIT]
    return kit.model_copy(update={"source": f"no bench given, assumed: {kit.source}"})
