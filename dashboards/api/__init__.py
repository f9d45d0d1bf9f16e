"""The interface for programs: JSON, live events, metrics, readings in."""
