"""The lumberroom command: thin, one file per command."""
