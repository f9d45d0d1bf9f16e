"""The settings file, lumberroom.toml: what it may say, reading it with line numbers, its checks, and it in words."""
