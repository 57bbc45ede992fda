"""What a proof is and how it is run: a pure core inside, thin edges outside (see DEVELOPERS.md for the import order)."""

__version__ = "0.1.0"
