"""What a practitioner concludes from the record."""
