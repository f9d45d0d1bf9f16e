"""Time series in the store: how readings are taken in, packed, summed, asked for and handed on.

**The trouble.** A sensor network commits a hundred readings at a time, each of another series, and must not lose one
that it acknowledged. Whoever asks wants a thousand readings of one series, or a year in three hundred means. A row for
each reading would write a page per series with every commit and take 40 bytes where four do. So a reading lives twice:
first in the order of arrival, then in the order of its series.

**Staged** (`staging`). A unit of work writes one row, a *batch*: all its readings as one text. That costs one page or
two, whatever the number of sensors, and is durable with the commit. Batches are numbered, and the numbers only rise:
they are the file's clock. Nothing else of a series is written then; what is known of each (its newest value, its count)
is the sealed head with the staged readings laid over it, in memory (`heads`, `tail`).

**Sealed** (`sealing`, `chunks`). In the background a sensor's staged readings are merged into its *chunks*: columns,
packed to some two bytes a reading, each with a checksum. In the same transaction the series notes `sealed_through`, the
batch up to which it is sealed. A reader takes of the batches only those beyond it. That one number makes the two lives
one: at every instant, in every snapshot, a reading is seen exactly once, whether its batch is deleted yet or not, and
no reader and no writer waits for the other. What is staged is laid over what is sealed (the later word counts), so
that late and corrected readings need no other way than new ones.

**Summed** (`rollups`, `stale`, `following`). Hours of every series, and eight hours of every derived one, are kept as
count, extremes, sum and covered time. They are a cache and nothing more: a chunk that changes notes its stretch as
*stale* in its own transaction, and from then on questions about it, and about all that it influences, are answered from
the readings, until the rollups have followed. So an answer never depends on how far the background has come, and a
rollup may be thrown away at any time, with one exception: of a stretch whose readings went by a rule of retention, the
rollup is all there is, and is final (`thinned`).

**Handed on** (`feed`). The batches are also the order of commit. Who carries readings elsewhere says how far it has
come, and batches stay until everybody has: late and corrected readings come in their turn, without a second log.

**What holds it together.** Working out (packing, summing) only reads, on a snapshot, and takes its time; writing is one
short transaction, which gives up if `state.generation` says that sealed data changed meanwhile. So who stores never
waits for long, and a power cut at any instant leaves a state that was true once: the background's last steps may be
gone, for they wait for no disk, and their input is then still staged.

FORMAT.md describes the bytes. The ways to buckets, quickest first: `summing` (whole hours, from rollups), `gridded`
(many series between round times, a part of which is remembered: a week of a hundred series takes a sixth of the time of
the next way), `together` (many series laid end to end), `lookup` (one series, from its readings).
"""
