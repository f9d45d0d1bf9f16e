"""The daemon's parts: settings file, intake, supervisor, periodic work."""
