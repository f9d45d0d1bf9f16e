"""Time series in the store: the SQL of readings (rows, appending) and what is computed from them (pure)."""
