"""The nouns of the job, as frozen dataclasses: places, windows, sensors, series, incidents. No I/O, no clock."""
