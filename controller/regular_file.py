"""Reading a file that somebody names: only a regular one, and only up to a size.

A pipe would be waited on for ever, a device acts when it is opened, and what is too large fills
the memory before anybody has looked at it.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from controller.errors import InputError

__all__ = ["MOST_INPUT_BYTES", "MOST_RECORD_BYTES", "read_regular"]

MOST_INPUT_BYTES = 1 << 20
"""The most a file that people write may hold: some ten thousand lines."""

MOST_RECORD_BYTES = 1 << 28
"""The most a record may hold: about a million lines."""

_NOT_TO_WAIT = sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_CLOEXEC", "O_BINARY"))
"""Flags that not every system has."""


def read_regular(path: Path, *, most_bytes: int = MOST_INPUT_BYTES) -> bytes:
    """Return a regular file's bytes. Raises InputError when it is none, or cannot be read."""
    where = str(path)
    try:
        _require_regular(path.stat().st_mode, where)  # before it is opened: a port acts on that
        descriptor = os.open(path, os.O_RDONLY | _NOT_TO_WAIT)
        with os.fdopen(descriptor, "rb") as file:
            _require_regular(os.fstat(descriptor).st_mode, where)
            data = file.read(most_bytes + 1)
    except FileNotFoundError:
        raise InputError.single("there is no such file", where=where) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError.single(f"cannot be read: {reason}", where=where) from None
    if len(data) > most_bytes:
        raise InputError.single(
            f"is larger than {most_bytes >> 20} MB, the most that is read from such a file",
            where=where,
        )
    return data


def _require_regular(mode: int, where: str) -> None:
    if stat.S_ISDIR(mode):
        raise InputError.single("this is a folder, not a file", where=where)
    if not stat.S_ISREG(mode):
        raise InputError.single(
            "this is a pipe, a socket or a device, not a file",
            where=where,
            hint="save it first",
        )
