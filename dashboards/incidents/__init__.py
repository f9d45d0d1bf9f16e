"""The page of incidents."""
