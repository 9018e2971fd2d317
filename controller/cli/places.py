"""Places that a verb is going to write to, looked at before it does its work."""

from __future__ import annotations

import os
from pathlib import Path

from controller.errors import InputError

__all__ = ["require_place"]


def require_place(path: Path) -> None:
    """Raise InputError where a file that may be written anew could not be."""
    if path.is_dir():
        raise InputError.single(
            "this is a folder; the name of a file is needed", where=str(path) or "."
        )
    if not path.parent.is_dir():
        raise InputError.single(
            "there is no such folder", where=str(path.parent), hint="make it first"
        )
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise InputError.single("cannot be written: no permission", where=str(path))
