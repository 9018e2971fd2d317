"""The text of input files: read from the disk, or from what a record kept of them.

Every input file is read through `read_text`. That is what lets a record keep the text of all
files of a run (`collecting_files`) and a replay read them from the record (`supplied_files`).
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from controller.errors import InputError
from controller.regular_file import read_regular

__all__ = ["collecting_files", "read_text", "supplied_files"]

_COLLECTED: ContextVar[dict[Path, str] | None] = ContextVar("collected", default=None)
_SUPPLIED: ContextVar[Mapping[Path, str] | None] = ContextVar("supplied", default=None)


@contextmanager
def collecting_files() -> Iterator[dict[Path, str]]:
    """Note the absolute path and the text of every input file read inside the block."""
    files: dict[Path, str] = {}
    token = _COLLECTED.set(files)
    try:
        yield files
    finally:
        _COLLECTED.reset(token)


@contextmanager
def supplied_files(files: Mapping[Path, str]) -> Iterator[None]:
    """Read input files from a mapping of absolute paths, and from nowhere else, in the block."""
    token = _SUPPLIED.set(files)
    try:
        yield
    finally:
        _SUPPLIED.reset(token)


def read_text(path: Path) -> str:
    """Return the text of an input file.

    Raises InputError when the file cannot be read or is not UTF-8.
    """
    where = str(path)
    absolute = Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
    try:
        supplied = _SUPPLIED.get()
        text = read_regular(path).decode("utf-8-sig") if supplied is None else supplied[absolute]
    except KeyError:
        raise InputError.single("this file is not in the record", where=where) from None
    except UnicodeDecodeError as error:
        raise InputError.single(
            f"not UTF-8 text (byte {error.start} is 0x{error.object[error.start]:02x})",
            where=where,
            hint="save the file as UTF-8",
        ) from None
    collected = _COLLECTED.get()
    if collected is not None:
        collected[absolute] = text
    return text
