"""What must not change quietly: the log, chained by hash, and every noun that has a history."""
