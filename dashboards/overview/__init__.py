"""The page of all rooms at a glance."""
