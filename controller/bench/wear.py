"""What runs do to a ladder's relays, and where the counts are kept.

Knows: which benches wear their relays, the user's data folder.
Must not know: runs, who shows the warnings.

Only real relays wear: on a simulated ladder nothing is counted. Plans do not take the counts into
account, so that a plan comes to the same states whatever the ladder has behind it. Nothing heavy is
loaded for where the counts are kept: the screen asks before its first frame.
"""

from __future__ import annotations

import platform
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.bench.model import BenchFile

__all__ = ["bench_wear_warnings", "wear_file"]


def wear_file(environ: Mapping[str, str]) -> Path:
    """Return where operations are counted: in RUNGWISE_DATA, else in the user's data folder.

    That is XDG_DATA_HOME/rungwise where it is stated (XDG Base Directory Specification 0.8:
    relative paths in the variable are to be ignored), else where the system keeps such data:
    ~/.local/share/rungwise on Linux.
    """
    if own := environ.get("RUNGWISE_DATA"):
        return Path(own) / "wear.json"
    stated = Path(environ.get("XDG_DATA_HOME", ""))
    if stated.is_absolute():
        return stated / "rungwise" / "wear.json"
    if platform.system() == "Linux":
        return Path.home() / ".local" / "share" / "rungwise" / "wear.json"
    from platformdirs import user_data_path

    return user_data_path("rungwise", appauthor=False) / "wear.json"


def bench_wear_warnings(bench: BenchFile, path: Path) -> tuple[str, ...]:
    """Return a sentence for each relay of a bench that is near or past its rated life.

    Raises InputError when the counts cannot be read.
    """
    from controller.ladder.wear import load_operations, wear_warnings

    if not bench.drives_hardware:
        return ()
    ladder = bench.ladder
    return wear_warnings(ladder, load_operations(path, ladder))
