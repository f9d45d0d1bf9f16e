"""Rules and judging: pure functions of (state, readings, now) that give a new state and a reason."""
