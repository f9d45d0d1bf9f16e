"""What holds for every test."""

from hypothesis import settings

# No test may fail because the machine is busy: speed is for the benchmarks.
settings.register_profile("lumberroom", deadline=None)
settings.load_profile("lumberroom")
