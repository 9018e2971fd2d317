"""The environment that a program which is timed starts in: what it imports has been compiled.

Knows: what Python keeps of what it compiles, and where it can be told to keep it.
Must not know: which program is timed.

An installation keeps compiled files beside its sources. Where `PYTHONDONTWRITEBYTECODE` is set a
checkout has none, and each start of ours would compile the product again while the program it is
held against comes compiled: that is no part of starting. A first run, untimed, fills the folder.
"""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["as_installed"]

FOLDER = Path(__file__).resolve().parents[2] / ".pytest_cache" / "bytecode"


def as_installed() -> dict[str, str]:
    """Return this program's environment, so that what is imported stays compiled."""
    environment = dict(os.environ)
    if environment.pop("PYTHONDONTWRITEBYTECODE", None):
        environment["PYTHONPYCACHEPREFIX"] = str(FOLDER)
    return environment
