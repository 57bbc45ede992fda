"""Long tables at full size, written into the project's documents with seed and date: ``python -m tests.evidence [NAME …]``."""
