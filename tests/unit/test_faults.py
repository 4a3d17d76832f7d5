"""What a user is told: of the machine's refusals here, and that every other sentence is compared whole in some test."""

import ast
import errno
import os
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import duckdb
import pytest
import yaml

from pipelines.faults import refusal

ROOT = Path(__file__).parents[2]
SPOKEN = {"Fault", "DataFault", "RequestFault", "HeldFault", "RuleError", "BadParameter", "ValueError"}
# Sentences put together elsewhere: those of `refusal`, tested below, and the nearest rows, tested in tables/test_trace.
PUT_TOGETHER = {"pipelines/faults.py", "pipelines/tables/trace.py"}
Pieces = list[str | None]  # of a sentence; None for what is filled in


@pytest.mark.parametrize(
    ("number", "advice"),
    [
        (errno.ENOSPC, "there is no room left on its disk. Make room and run it again."),
        (errno.EDQUOT, "there is no room left on its disk. Make room and run it again."),
        (
            errno.EFBIG,
            "it would be larger than a file may be here. Raise the limit, or write to another disk.",
        ),
        (errno.EROFS, "its disk can only be read. Choose another place."),
        (errno.EACCES, "you have no right to. Ask its owner for the right, or choose another place."),
        (errno.EPERM, "you have no right to. Ask its owner for the right, or choose another place."),
        (errno.ENOENT, "it is not there, or no longer. Check the path and run it again."),
        (errno.EIO, "its disk does not answer. Look to the disk, and run it again."),
        (errno.ELOOP, "Too many levels of symbolic links. Check the path and the disk, and run it again."),
    ],
)
def test_what_the_machine_refuses_is_said_with_what_to_do(number, advice):
    error = OSError(number, os.strerror(number), "out/store.duckdb")
    assert str(refusal(error)) == f"out/store.duckdb cannot be used: {advice}"
    nameless = OSError(number, os.strerror(number))
    assert str(refusal(nameless)) == f"A file cannot be used: {advice}"
    # As DuckDB passes it on; it does so for the numbers that have advice of their own.
    if number not in (errno.ELOOP, errno.EPERM):
        passed_on = duckdb.IOException(f'Could not write file "out/store.duckdb": {os.strerror(number)}')
        assert str(refusal(passed_on)) == f"out/store.duckdb cannot be used: {advice}"


@pytest.mark.parametrize("error", [MemoryError(), duckdb.OutOfMemoryException("failed to allocate data")])
def test_want_of_memory_is_said(error):
    assert str(refusal(error)) == (
        "The memory does not suffice for this. Close other programs, or load the file in parts."
    )


def test_a_damaged_store_is_said_where_a_part_of_it_is_read():
    error = duckdb.IOException("Corrupt database file: computed checksum 1 does not match stored checksum 2")
    assert str(refusal(error)) == (
        "The store is damaged: a part of it cannot be read. Put a backup in its place: rigging-removals store restore"
    )


def test_a_refusal_is_found_behind_the_error_it_led_to():
    error = RuntimeError("the writer stopped")
    error.__cause__ = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "pack.html")
    assert str(refusal(error)).startswith("pack.html cannot be used: there is no room left on its disk.")


@pytest.mark.parametrize("error", [KeyError("quantity"), duckdb.BinderException("no such column")])
def test_a_fault_of_ours_is_no_refusal(error):
    assert refusal(error) is None


def pieces_of(node: ast.expr) -> Pieces:
    """The pieces of the text that an expression gives; one that is filled in where nothing of it is known."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.JoinedStr):
        return [str(part.value) if isinstance(part, ast.Constant) else None for part in node.values]
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return pieces_of(node.left) + pieces_of(node.right)
    return [None]


def sentences() -> Iterator[tuple[str, Pieces]]:
    """Each place where a fault is made, and the pieces of its sentence."""
    for path in sorted((ROOT / "pipelines").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and node.args:
                name = getattr(node.func, "attr", getattr(node.func, "id", ""))
                if (
                    name in SPOKEN and ast.unparse(node.args[0]) != "str(fault)"
                ):  # which is told where it is made
                    yield f"{path.relative_to(ROOT).as_posix()}:{node.lineno}", pieces_of(node.args[0])


@cache
def texts_of_tests() -> tuple[str, ...]:
    """Every text in a test or in the data of the habits, without the signs of a pattern where it is one."""
    found = set()
    for path in (ROOT / "tests").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant | ast.JoinedStr | ast.BinOp):
                found.add("".join("{}" if piece is None else piece for piece in pieces_of(node)))
    for path in (ROOT / "tests" / "data" / "habits").glob("*.yaml"):
        found |= set(texts_in(yaml.safe_load(path.read_text(encoding="utf-8"))))
    return tuple(found | {text.replace("\\", "") for text in found})


def texts_in(part) -> Iterator[str]:
    if isinstance(part, str):
        yield part
    for each in part.values() if isinstance(part, dict) else part if isinstance(part, list) else ():
        yield from texts_in(each)


def test_every_sentence_of_a_fault_stands_whole_in_a_test():
    # That the tests reach them is another matter, which only a run with all of them shows.
    found = list(sentences())
    assert len(found) > 100
    untold = [place for place, pieces in found if any(pieces) and not is_told(pieces)]
    assert untold == []
    assert {place.partition(":")[0] for place, pieces in found if not any(pieces)} == PUT_TOGETHER


def is_told(pieces: Pieces) -> bool:
    longest = max(filter(None, pieces), key=len)
    # What is filled in holds no end of a sentence, and the text ends with the sentence: else one whose advice is gone
    # would stand in the test of the one that had it.
    filled = r"(?:(?!\. [A-Z]).)*?"
    sentence = "".join(filled if piece is None else re.escape(piece) for piece in pieces)
    end = "" if pieces[-1] is None else r"\s*(?:\Z|\n|\$|\{\})"
    whole = re.compile(sentence + end, re.DOTALL)
    return any(longest in text and whole.search(text) for text in texts_of_tests())
