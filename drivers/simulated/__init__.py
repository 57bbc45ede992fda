"""The simulated bench: a unit, cables, standards and an imperfect analyser, served behind a real link.

Nothing here knows the time or a file: time is virtual, every draw comes from the bench's seed. ``start`` opens the link.
"""

from drivers.simulated.bench import SimulatedBench
from drivers.simulated.server import Served, serve, start

__all__ = ["Served", "SimulatedBench", "serve", "start"]
