"""Unpacks gzip and zip files into the work folder, within limits: a small file may unpack to more than a disk holds."""

import gzip
import lzma
import struct
import zipfile
import zlib
from pathlib import Path
from typing import IO

from pipelines.faults import DataFault
from pipelines.intake.limits import MOST_TIMES_LARGER, MOST_UNPACKED_BYTES, SMALL_ENOUGH_BYTES

# What a damaged ZIP or gzip file leads to in the libraries that read it.
PACK_ERRORS = (
    OSError, EOFError, LookupError, ValueError, RuntimeError, struct.error, zlib.error, lzma.LZMAError, zipfile.BadZipFile,
)  # fmt: skip
PACKED_ENDINGS = (".gz", ".zip")
KIND_OF_ENDING = {
    ".csv": "csv",
    ".tsv": "csv",
    ".tab": "csv",
    ".txt": "csv",
    ".xlsx": "xlsx",
    ".xlsm": "xlsx",
    ".ods": "ods",
    ".xls": "xls",
    ".parquet": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
}
_CHUNK = 1 << 20


def unpacked(path: Path, work_folder: Path) -> Path:
    """Return the file to read: `path` itself, or a copy of what it packs, written into `work_folder`.

    The copy is named after the packed file and never after a name inside it. Raises DataFault where the packed file
    is damaged, locked by a password, too large once unpacked, or does not hold exactly one readable file.
    """
    ending = path.suffix.lower()
    if ending not in PACKED_ENDINGS:
        return path
    inner_ending = Path(inner_name(path)).suffix
    copy = work_folder / f"{path.stem.removesuffix(inner_ending)}{inner_ending}"
    try:
        if ending == ".gz":
            with gzip.open(path) as stream:
                _copy_within_limits(path, stream, path.stat().st_size, copy)
        else:
            with zipfile.ZipFile(path) as archive:
                member = _only_readable(path, archive)
                with archive.open(member) as stream:
                    _copy_within_limits(path, stream, member.compress_size, copy)
    except PACK_ERRORS as error:
        raise _damaged(path, error) from error
    return copy


def inner_name(path: Path) -> str:
    """Return the name of the file that `path` packs, or of `path` itself where it packs none."""
    ending = path.suffix.lower()
    if ending == ".gz":
        return path.stem
    if ending == ".zip":
        try:
            with zipfile.ZipFile(path) as archive:
                return _only_readable(path, archive).filename
        except PACK_ERRORS as error:
            raise _damaged(path, error) from error
    return path.name


def refuse_bomb(path: Path, unpacked_bytes: int, packed_bytes: int, most_bytes: int) -> None:
    """Raise DataFault where a packed file would unpack to more than any log needs.

    Parameters
    ----------
    path : Path
        The packed file, for the message.
    unpacked_bytes : int
        What it unpacks to, or has unpacked to so far [bytes].
    packed_bytes : int
        What that takes packed [bytes].
    most_bytes : int
        What it may unpack to at most [bytes].

    Raises
    ------
    DataFault
        It is more than that, or more than `SMALL_ENOUGH_BYTES` and `MOST_TIMES_LARGER` times its packed size.
    """
    is_swollen = unpacked_bytes > SMALL_ENOUGH_BYTES and unpacked_bytes > MOST_TIMES_LARGER * packed_bytes
    if unpacked_bytes > most_bytes or is_swollen:
        raise DataFault(
            f"{path.name} unpacks to more than {most_bytes / 1e9:g} GB, or to more than {MOST_TIMES_LARGER} times its"
            " size, and is not read. Unpack it yourself, look at it, and load what it holds."
        )


def _copy_within_limits(path: Path, stream: IO[bytes] | gzip.GzipFile, packed_bytes: int, copy: Path) -> None:
    unpacked_bytes = 0
    with copy.open("wb") as target:
        while chunk := stream.read(_CHUNK):
            unpacked_bytes += len(chunk)
            refuse_bomb(path, unpacked_bytes, packed_bytes, MOST_UNPACKED_BYTES)
            target.write(chunk)


def _only_readable(path: Path, archive: zipfile.ZipFile) -> zipfile.ZipInfo:
    members = [member for member in archive.infolist() if not member.is_dir() and not _is_litter(member)]
    readable = [member for member in members if Path(member.filename).suffix.lower() in KIND_OF_ENDING]
    if len(readable) != 1:
        names = ", ".join(member.filename for member in members[:8]) or "nothing"
        more = f" and {len(members) - 8} more" if len(members) > 8 else ""
        raise DataFault(
            f"{path.name} holds {names}{more}: one log file is wanted. Unpack it and load the files by name."
        )
    if readable[0].flag_bits & 1:
        raise DataFault(f"{path.name} is locked by a password. Unpack it and load the file it holds.")
    return readable[0]


def _is_litter(member: zipfile.ZipInfo) -> bool:
    """Return whether a file system left this behind, such as __MACOSX/._log.csv."""
    name = Path(member.filename)
    return name.name.startswith(".") or "__MACOSX" in name.parts


def _damaged(path: Path, error: Exception) -> DataFault:
    return DataFault(f"{path.name} cannot be unpacked ({error}). Export or pack it again.")
