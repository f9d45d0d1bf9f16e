"""The page of what comes in, what does not, and what waits to go out."""
