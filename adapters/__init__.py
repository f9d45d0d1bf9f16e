"""How readings get in: one transport a file, one data model, one contract (`contract.py`).

Of lumberroom's own code this package may import `ingest.units` and `ingest.physics`, and nothing else.
"""
