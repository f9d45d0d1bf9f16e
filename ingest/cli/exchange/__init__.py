"""Readings out to files and back: what `lumberroom export` and `lumberroom import` are made of.

A file holds rows: one sensor, one instant, a column for each quantity that it told then. CSV, JSON lines and Parquet
write rows as they are; SenML says the same in its own words. `rows` reads them from the store in stretches of time, so
that memory stays bounded; `writing` puts them into files; `reading` gets them back out as readings, with what could not
be understood; `storing` brings those into a store. What export writes, import reads back bit for bit.
"""
