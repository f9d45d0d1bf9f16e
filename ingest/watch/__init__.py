"""The watch: rules and judging, pure functions of (state, readings, now), and the rounds that read and write for it."""
