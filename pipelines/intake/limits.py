"""The limits of what is read: beyond them a file is no log, or more of it would be held than a machine has room for."""

MOST_COLUMNS = 1_000
LONGEST_LINE = 10_000_000  # bytes
# A log has no such run of empty lines, and the reader of delimited files loses lines behind one of 32 MB.
MOST_EMPTY_LINES = 1_000_000
# Cells that records lack, and records that have too many: each costs that reader 10 µs and a kilobyte of memory.
MOST_REFUSALS = 2_000_000
MOST_CELLS = 60_000_000  # rows times columns of one sheet: about 2 GB once read
# A log of ten million lines takes about 1.5 GB of text. Text packs 10 to 50 times smaller, a bomb 1 000 times.
MOST_UNPACKED_BYTES = 8_000_000_000
MOST_WORKBOOK_BYTES = 2_000_000_000
MOST_TIMES_LARGER = 200
SMALL_ENOUGH_BYTES = 20_000_000  # whatever its ratio
