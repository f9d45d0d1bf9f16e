"""What lumberroom makes of the readings: the map of this package.

Imports go one way, each arrow "may import" and never back (`tests/unit/test_import_direction.py` holds it)::

    adapters.contract, units, clock, errors
        <- physics    air, wood, movement, board, surface, mould, uncertainty: pure computing, NumPy in and out
        <- site       the nouns: Site, Room, AcclimationWindow, Sensor, ReadingBatch; frozen, no I/O
        <- present    units, digits, words and charts for people; pure
           store      one SQLite file, one unit of work; all SQL lives here
        <- watch      rules and judging: (state, readings, now) -> (new state, reason); incidents
        <- practice   what a practitioner concludes
        <- notices    compose and deliver, one file per channel
           central    forwarding to a central engine
        <- settings   lumberroom.toml: what it may say, reading and checking it
        <- runtime    intake, supervisor, periodic work, daemon
        <- demo, cli  the invented site; the command line, the only place that sees everything
"""
