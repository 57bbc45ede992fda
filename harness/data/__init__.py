"""What the program needs at run time, as package data: cores, wires, bands, shipped types and benches."""
