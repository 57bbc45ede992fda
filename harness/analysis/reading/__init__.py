"""What a reading at the sample port means on the line. Pure: a proof, a level and what is in between come as values.

``known_unit(proof, parts)`` is a unit as its proof knows it; ``answer`` reads one level, ``spectrum`` a list of lines,
``safe_power`` and ``planned`` keep instrument and unit whole, ``heat_runs`` holds logged readings against each other. A module of
its own each; how the numbers come about stands in ``chain`` (pads, cables, mismatch), ``line`` (SWR) and ``waveform`` (PEP).
"""
