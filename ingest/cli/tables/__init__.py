"""Tables in, the same tables with more columns out: what `lumberroom derive` is made of. Bytes and NumPy, no click.

One block's way: `blocks` (bytes as they come) -> `records` (whole records and where they stand) -> `numbers` (the
measured columns, a fast parse for clean stretches and a careful one for the rest) -> `filter` (derive) -> `appending`
(the same bytes with columns behind each record). `layout` reads the header; `outputs` says which columns; `history` is
the mould index, which is of a course and not of a row; `options` reads what is asked for; `point` answers for a point.
"""
