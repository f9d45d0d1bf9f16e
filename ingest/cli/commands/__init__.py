"""The commands, a module each: options in, words out. `ingest.cli.main` finds them here by their `PLACE`."""
