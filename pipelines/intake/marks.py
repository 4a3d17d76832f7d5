"""Tells which records are no part of the log, and which must be refused although they could be split into cells."""

from collections.abc import Sequence

import duckdb

from pipelines.intake.strays import STRAY
from pipelines.sources.profiles import Totals

SHEET_COLUMN = "(sheet)"  # the column that a stack of sheets is given; it holds the name of the sheet

SET_ASIDE = ("blank", "repeated header", "total")
JOINED = "joined by a stray quote"
WHOLE_RECORD = "(whole record)"  # what a record that cannot be split is called where rows are kept as JSON
# Such a record stands in its first cell, whole, as the file has it.
UNSPLIT = ("a stray quote", "it is not a JSON object")


class Marks:
    """The SQL of a record's mark: why a record c1, c2, ... is set aside or refused, null for a plain one."""

    def __init__(self, header: list[str], totals: Totals | None) -> None:
        self.header = header
        self.columns = [f"c{place}" for place in range(1, len(header) + 1)]
        self.values: dict[str, object] = {}
        self.joined = ""  # the SQL of whether a stray quote has joined a record with the lines after it
        self.joined_values: dict[str, object] = {}
        filled_by_file = [column for name, column in self._named_columns() if name != SHEET_COLUMN]
        empty = [f"coalesce(trim({column}), '') = ''" for column in filled_by_file]
        self._clauses = [f"when {' and '.join(empty)} then 'blank'"]
        if totals:
            self._add_totals(totals)

    @property
    def sql(self) -> str:
        """The expression of the mark."""
        return f"case {' '.join(self._clauses)} end"

    def add_repeated_header(self, cells: Sequence[str | None]) -> None:
        """Mark records that repeat the last row of the header, whose cells are given."""
        columns = self.columns[: len(cells)]
        same = [f"coalesce(trim({column}), '') = $header_{column}" for column in columns]
        self._clauses.append(f"when {' and '.join(same)} then 'repeated header'")
        self.values |= {f"header_{column}": cell or "" for column, cell in zip(columns, cells, strict=True)}

    def add_nul(self) -> None:
        """Mark records that hold a NUL character, which no text does."""
        self._clauses.insert(0, f"when {_any_holds(self.columns, 'chr(0)')} then 'it holds NUL characters'")

    def add_joined(self, free_text: set[str], delimiter: str) -> None:
        """Know records that a stray quote has joined with the lines after it; `mark_joined` marks them.

        A cell of free text may hold line breaks, but not a whole record.
        """
        plain = [column for name, column in self._named_columns() if name not in free_text]
        swallowed = [
            f"contains({column}, chr(10)) and len(string_split({column}, $delimiter)) >= {len(self.columns)}"
            for name, column in self._named_columns()
            if name in free_text
        ]
        tests = [_any_holds(plain, "chr(10)")] if plain else []
        tests += [f"({test})" for test in swallowed]
        self.joined = " or ".join(tests)
        self.joined_values = {"delimiter": delimiter} if swallowed else {}

    def mark_joined(self, con: duckdb.DuckDBPyConnection) -> None:
        """Mark the joined records among the `cells`, but those that are refused already."""
        con.execute(
            "update cells set mark = $joined where (mark is null or list_contains($set_aside, mark))"
            f" and ({self.joined})",
            {**self.joined_values, "joined": JOINED, "set_aside": list(SET_ASIDE)},
        )

    def add_stray(self) -> None:
        """Mark the records that stand for a line with a stray quote."""
        self._clauses.insert(0, f"when starts_with(c1, chr({ord(STRAY)})) then '{UNSPLIT[0]}'")

    def add_no_object(self, is_object: str) -> None:
        """Mark the records for which the SQL `is_object` does not hold."""
        self._clauses.insert(0, f"when not {is_object} and c1 is not null then '{UNSPLIT[1]}'")

    def _add_totals(self, totals: Totals) -> None:
        cell = f"rtrim(lower(trim({self.columns[self.header.index(totals.column)]})), ' :')"
        words = [" ".join(word.split()).lower() for word in totals.words]
        tests = [
            f"starts_with({cell}, $total_{place})" if word.endswith("*") else f"{cell} = $total_{place}"
            for place, word in enumerate(words)
        ]
        self._clauses.append(f"when {' or '.join(tests)} then 'total'")
        self.values |= {f"total_{place}": word.removesuffix("*") for place, word in enumerate(words)}

    def _named_columns(self) -> list[tuple[str, str]]:
        return list(zip(self.header, self.columns, strict=True))


def sort_out_marked(
    con: duckdb.DuckDBPyConnection, header: list[str], set_aside: Sequence[str] = SET_ASIDE
) -> None:
    """Make `raw_rows` and `set_aside_rows` of `numbered_cells`; add the marked records to refuse to `refused_rows`.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The scratch database; it has `numbered_cells` (row, c1, c2, ..., mark) and `refused_rows` (row, detail, raw).
    header : list of str
        Names of the columns c1, c2, ...
    set_aside : sequence of str
        Marks of the records to set aside; those with another mark are refused.
    """
    columns = [f"c{place}" for place in range(1, len(header) + 1)]
    names = {f"name_{column}": name for column, name in zip(columns, header, strict=True)}
    raw = f"json_object({', '.join(f'$name_{column}, {column}' for column in columns)})::varchar"
    con.execute(
        f"create or replace table set_aside_rows as select row, mark as kind, {raw} as raw"
        " from numbered_cells where list_contains($set_aside, mark)",
        {**names, "set_aside": list(set_aside)},
    )
    # A line of spaces is refused for its lack of cells, and is blank all the same.
    con.execute("insert into set_aside_rows select row, 'blank', '{}' from refused_rows where trim(raw) = ''")
    con.execute("delete from refused_rows where trim(raw) = ''")
    line_breaks = " + ".join(f"coalesce(len(string_split({column}, chr(10))), 1) - 1" for column in columns)
    whole = f"json_object($whole, {{}}, {', '.join(f'$name_{column}, null' for column in columns)})::varchar"
    con.execute(f"update refused_rows set raw = {whole.format('raw')}", {**names, "whole": WHOLE_RECORD})
    con.execute(
        "insert into refused_rows select row,"
        f" case mark when $joined then format('a stray quote joined {{}} lines', 1 + {line_breaks}) else mark end,"
        f" case when list_contains($unsplit, mark) then {whole.format('ltrim(c1, $stray)')} else {raw} end"
        " from numbered_cells where mark is not null and not list_contains($set_aside, mark)",
        {
            **names,
            "joined": JOINED,
            "unsplit": list(UNSPLIT),
            "stray": STRAY,
            "whole": WHOLE_RECORD,
            "set_aside": list(set_aside),
        },
    )
    con.execute(
        f"create or replace view raw_rows as select row, {', '.join(columns)} from numbered_cells where mark is null"
    )


def _any_holds(columns: list[str], character: str) -> str:
    return " or ".join(f"contains({column}, {character})" for column in columns)
