"""Pure computing on NumPy arrays: no I/O, no clock."""
