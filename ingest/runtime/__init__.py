"""The daemon's parts: wiring file, intake, supervisor, periodic work."""
