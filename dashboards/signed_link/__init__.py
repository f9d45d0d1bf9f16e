"""The page behind a signed link of an alert."""
