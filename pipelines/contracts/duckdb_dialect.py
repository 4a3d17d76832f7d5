"""Lets Great Expectations run its rules inside an open DuckDB connection.

One departure from the stock SQLAlchemy dialect: results are fetched whole before the statement ends, since Great
Expectations reads them after the connection is closed.
"""

import duckdb
from duckdb_engine import ConnectionWrapper, Dialect
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.postgresql.psycopg2 import PGExecutionContext_psycopg2
from sqlalchemy.engine.cursor import FullyBufferedCursorFetchStrategy

NAME = "duckdb+whole_results"


class WholeResultsContext(PGExecutionContext_psycopg2):
    """An execution context that reads every row of a result at once."""

    def post_exec(self) -> None:
        """Replace the lazy fetch by one that holds all rows."""
        super().post_exec()
        if self.cursor.description:
            self.cursor_fetch_strategy = FullyBufferedCursorFetchStrategy(self.cursor)


class WholeResultsDialect(Dialect):
    """The DuckDB dialect with results read whole."""

    driver = "whole_results"
    supports_statement_cache = False
    execution_ctx_cls = WholeResultsContext


def lend(con: duckdb.DuckDBPyConnection) -> ConnectionWrapper:
    """Return a second connection to the database that `con` has open; it sees committed tables only."""
    return ConnectionWrapper(con.cursor())


registry.register("duckdb.whole_results", __name__, "WholeResultsDialect")
