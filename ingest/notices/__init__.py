"""Telling people: compose, and deliver by one file per channel."""
