"""Forwarding to a central time-series engine."""
