"""The page of one incident, and what people do about it."""
