"""The errors a user may see: each one sentence with what is wrong, where, and what to do."""

import errno
import re


class Fault(Exception):
    """A fault with a sentence for the user; `str(fault)` is that sentence."""


class DataFault(Fault):
    """The data are at fault: a file, a row, a column or a figure cannot be used as it is."""


class RequestFault(Fault):
    """The request is at fault: a name, a period or a path that nothing answers to."""


class HeldFault(DataFault):
    """The store is held by another process for longer than is waited for."""


# What a machine refuses, by the number of the error and as DuckDB words it, and what to do about it.
_REFUSALS = (
    ((errno.ENOSPC, errno.EDQUOT), "No space left|Disk quota|out of disk space", "there is no room left on its disk. Make room and run it again"),
    ((errno.EFBIG,), "File too large", "it would be larger than a file may be here. Raise the limit, or write to another disk"),
    ((errno.EROFS,), "Read-only file system", "its disk can only be read. Choose another place"),
    ((errno.EACCES, errno.EPERM), "Permission denied", "you have no right to. Ask its owner for the right, or choose another place"),
    ((errno.ENOENT,), "No such file", "it is not there, or no longer. Check the path and run it again"),
    ((errno.EIO,), "Input/output error", "its disk does not answer. Look to the disk, and run it again"),
)  # fmt: skip


def refusal(error: BaseException) -> Fault | None:
    """Return the sentence for what the machine refused, such as a full disk; None where the error is of another kind."""
    seen: BaseException | None = error
    while seen is not None:
        if sentence := _of_machine(seen):
            return Fault(sentence)
        seen = seen.__cause__ or seen.__context__
    return None


def _of_machine(error: BaseException) -> str:
    text = str(error)
    if isinstance(error, MemoryError) or type(error).__name__ == "OutOfMemoryException":
        return "The memory does not suffice for this. Close other programs, or load the file in parts."
    if isinstance(error, OSError):
        where = error.filename or "A file"
        for numbers, _, advice in _REFUSALS:
            if error.errno in numbers:
                return f"{where} cannot be used: {advice}."
        return f"{where} cannot be used: {error.strerror or text}. Check the path and the disk, and run it again."
    if type(error).__module__.endswith("duckdb"):
        where = (re.findall(r'"([^"]*)"', text) or ["The store"])[0]
        for _, pattern, advice in _REFUSALS:
            if re.search(pattern, text):
                return f"{where} cannot be used: {advice}."
        if re.search("Corrupt|checksum", text):
            return "The store is damaged: a part of it cannot be read. Put a backup in its place: rigging-removals store restore"
    return ""
