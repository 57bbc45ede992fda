"""The guard of one type: looks at each new sweep and says what it looks like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from harness.analysis.adapters import AdapterModel
from harness.analysis.guard import words
from harness.analysis.guard.contact import noisy, unlike_the_repeats
from harness.analysis.guard.look import Sweeps, Verdict, Weigher
from harness.analysis.guard.unit import Tables, badly_built, healthy, nominal
from harness.analysis.readings import UNIT_HOOKUPS, Terminations
from harness.records import Residuals, SamplerType, Sweep


@dataclass(frozen=True)
class Look:
    """What a look at a new sweep gave. ``looks_like``: the name of the mistake, "" where ``ok``; ``hint``: what to do.

    ``is_hookup``: the other hook-up that the sweep looks like, where it looks like one.
    """

    ok: bool
    looks_like: str
    says: str
    hint: str = ""
    is_hookup: str | None = None


@dataclass(frozen=True)
class Guard:
    """Guards the hook-ups of units of one type. ``thru_delay``: of the thru standard, s."""

    weigher: Weigher
    thru_delay: float = 0.0

    @classmethod
    def of(
        cls,
        type_: SamplerType,
        tables: Tables,
        adapters: Mapping[str, AdapterModel],
        residuals: Residuals,
        thru_delay: float = 0.0,
    ) -> Guard:
        """Return the guard of a type. ``adapters``: what stays on the unit's connectors; ``residuals``: the bench's."""
        circuit = nominal(type_, tables)
        return cls(Weigher(healthy(circuit, adapters), badly_built(circuit, adapters), residuals), thru_delay)

    def look(self, name: str, sweeps: Sweeps, terminations: Terminations) -> Look:
        """Return a look at the last sweep of ``name``. ``sweeps``: all corrected sweeps of the run so far, repeats in order.

        A sweep that is no hook-up of a unit is passed. DataError where a trace is missing.
        """
        if name not in UNIT_HOOKUPS:
            return Look(True, "", f"{name} is not guarded")
        newest = sweeps[name][-1]
        for found in (noisy(newest, _others(name, sweeps)), unlike_the_repeats(name, sweeps, self.weigher.residuals)):
            if found is not None:
                return Look(False, "loose connector", found, words.TIGHTEN)
        verdict = self.weigh(name, sweeps, terminations)
        if verdict.doubtful:
            other = next((one.scene.is_hookup for one in words.alike(verdict) if one.scene.is_hookup is not None), None)
            return Look(False, verdict.wrong[0].scene.mistake, words.says(newest, verdict), words.hint(name, verdict), other)
        return Look(True, "", words.fits(newest, verdict))

    def weigh(self, name: str, sweeps: Sweeps, terminations: Terminations) -> Verdict:
        """Return the weights behind a look."""
        frequency_hz = sweeps[name][-1].frequency_hz
        thru = np.exp(-2j * np.pi * frequency_hz * self.thru_delay)
        return self.weigher.weigh(name, sweeps, terminations, thru)


def _others(name: str, sweeps: Sweeps) -> list[Sweep]:
    found = [sweep for other, taken in sweeps.items() if other != name for sweep in taken]
    return found + list(sweeps[name][:-1])
