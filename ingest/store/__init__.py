"""One SQLite file, one unit of work, all SQL: `api` is the contract, `sqlite_store` the embedded store."""
