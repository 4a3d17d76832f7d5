from pathlib import Path

import duckdb
import pytest

from pipelines.intake import load_files
from pipelines.store import make_store


class Loaded:
    """A store of the test's own, and a way to load logs into it and ask it things."""

    def __init__(self, path: Path, register: Path, profile_path: Path):
        self.path, self.register, self.profile_path = path, register, profile_path
        make_store(path)

    def load(self, *files: Path):
        """Load the files; return their accounts."""
        return list(load_files(list(files), self.path, [self.register], self.profile_path))

    def ask(self, query: str):
        """Return all rows of a query on the closed store."""
        with duckdb.connect(str(self.path), read_only=True) as con:
            return con.execute(query).fetchall()


@pytest.fixture
def store(tmp_path, register, profile_path):
    return Loaded(tmp_path / "store.duckdb", register, profile_path)
