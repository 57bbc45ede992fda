"""The hook-up guard: after each sweep, the intended hook-up against the usual mistakes. Pure.

``Guard.of(type_, tables, adapters, residuals)`` makes one for a type. ``guard.look(name, sweeps, terminations)`` gives a ``Look``
at the newest sweep; ``checks(guard, sweeps, terminations)`` looks at all sweeps of a folder. A plausible unit of the type is
fitted to all sweeps of the run under each explanation (see ``fitting``); a mistake is claimed where it explains the newest sweep
so much better than the intended hook-up that neither chance nor build tolerances do.
"""

from harness.analysis.guard.folder import checks, looks
from harness.analysis.guard.guard import Guard, Look
from harness.analysis.guard.unit import Tables

__all__ = ["Guard", "Look", "Tables", "checks", "looks"]
