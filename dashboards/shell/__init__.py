"""The frame round every page: what all pages share."""
