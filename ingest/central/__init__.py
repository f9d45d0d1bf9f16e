"""Beyond one machine: forwarding to a central engine that takes InfluxDB v2 writes, and reading it back for the office.

One way out: the store notes what was stored or amended (`ingest.store.series.feed`); `progress` plans what goes next,
`outgoing` fetches it, `points` makes lines of it, `writing` hands them over, `read_back` looks whether they are there,
and only then does the store's position move (`forwarder`). Beside it a site says what it is and how it stands
(`announcements`). Reading: `engine` is the contract, `dialects` keep it, `series` makes series and buckets of it
(`kept_cells` for long stretches). Nothing here is ever waited for by the site's own watch. README.md beside this file:
what was run against which server, measured pitfalls, capacity.
"""
