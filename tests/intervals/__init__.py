"""How often the stated uncertainty holds the truth, on a population of simulated benches: ``python -m tests.intervals``."""
