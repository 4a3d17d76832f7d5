"""Runs gap_days.sql and gaps.sql inside the open store, and makes the views that read them."""

from datetime import date

import duckdb

from pipelines.shipped import statement

SUMS = ("summed_groups", "line_sums", "month_sums", "reason_sums")
WORKING_TABLES = (
    *SUMS,
    "counted_clients",
    "counted_until",
    "item_groups",
    "group_wordings",
    "gap_days",
    "gaps",
)  # made from the lines, for the result tables to read


def build_exposures(con: duckdb.DuckDBPyConnection, as_of: date | None = date.max) -> None:
    """Bring the view `exposures` up to date: one row for each look at a group, and for each item that missed its look.

    Brings the sums of the lines up to date first, which every result table reads: only those of groups that a load or a
    superseding touched are made anew, and then only the exposures of clients with such a group, with a change in the site
    register or with lines that `as_of` newly counts or leaves out. Leaves the tables `item_groups`, `group_wordings`,
    `gap_days` and `gaps` behind as well, in which groups go by number, and the views of `make_views`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store. Neither commits nor rolls back: the caller's transaction holds.
    as_of : date
        The last day counted; None counts no day at all.

    Notes
    -----
    A group is a client, site, environment and item class; each item of a client and item class with a serial is a
    group of its own. A look is a day with periodic lines of the group that count an item, or several that follow one
    another within fewer than `visit_days` of the site register, held on the last of them; a day with nothing presented is
    none, and the clock stays. The exposure of a look is

        (gap * inspected - time the joiners were not yet there) * (1 - removed / (2 * inspected))
        + time to the day of each removal between the looks

    in years of 365.25 days: the actuarial, half-interval rule. It takes for granted that items are as likely to
    become rejectable early in a gap as late. Where the text of the method is silent:

    - A gap holds the day that closes it and not the day that opens it. A frequent inspection comes before use, so
      a removal on the very day of a look counts as made before that look, with the whole gap in service.
    - Of more receipts than joiners the latest ones are taken: less exposure errs to the higher rate.
    - Unaccounted for are at least those that the log itself says were not presented at the look.
    - At least 0 items are expected, and one serialised item is never in service for longer than the gap.
    - A serialised item removed at a frequent inspection is never looked at again, so no look of its own would close
      its gap. The next look at any serialised item of its class and place does, with 0 items inspected.
    - A serialised item that moves to another site or environment takes its clock along: it is no first look there, and
      the whole gap counts at the place of the look that closes it, since nobody knows the day of the move and the
      removals of a gap must stand with its exposure. Nothing is missing at the place it left. Two sites of a client
      that number their items alike would be taken for one item that moves: `serial_prefix: site` in their source
      profile tells them apart.
    - A serialised item is unaccounted for at the first look at serialised items of its class, at the place where it
      was last seen, that was held on or after its due day (its own last look, or its receipt, plus the interval now in
      the site register) and after it was last seen, if no later line counts it anywhere. It is counted once, at
      that look, with no exposure, as items counted by quantity are. Should it turn up later, the row is gone and its
      gap runs from its own earlier look. Looks before it fell due prove nothing: items looked at on days of their own
      are not expected at one another's looks.

    References
    ----------
    Cutler, S. J. & Ederer, F. (1958). Maximum utilization of the life table method in analyzing survival. Journal of
    Chronic Diseases 8, 699-712 (from memory).
    """
    for name in ("make_sums", "update_sums", "sum_views"):
        con.execute(statement("pipelines.exposure", f"{name}.sql"))
    for name in ("counted_until", "touched_clients", "item_groups", "gap_days"):
        con.execute(statement("pipelines.exposure", f"{name}.sql"), {"as_of": as_of})
    con.execute(statement("pipelines.exposure", "gaps.sql"))
    make_views(con)


def make_views(con: duckdb.DuckDBPyConnection) -> None:
    """Make the views of `sum_views.sql`, `exposures`, `line_gaps` and `standing_groups` of the lines and the working tables.

    They last as long as the connection is open, a read-only one too.
    """
    for name in ("sum_views", "exposures", "line_gaps", "standing_groups"):
        con.execute(statement("pipelines.exposure", f"{name}.sql"))
