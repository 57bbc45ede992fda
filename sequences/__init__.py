"""What is done to a kind of unit, as data: one file each, ``steps(type, bench) -> tuple[Step, ...]``."""
