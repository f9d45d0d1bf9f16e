"""Beyond one machine: forwarding to a central engine that takes InfluxDB v2 writes, and reading it back for the office.

One way out: the store notes what was stored or amended (`ingest.store.series.feed`), `progress` plans what goes next,
`points` makes lines of it, `writing` hands them over, `read_back` reads them back, and only then the store's position
moves. Reading: `engine` is the contract, `metricsql` (MetricsQL) and `influxql` keep it,
`series` makes series and buckets of it. Nothing here is ever waited for by the site's own watch.
README.md beside this file: what was run against which server, measured pitfalls, capacity.
"""
