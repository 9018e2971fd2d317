"""How many operations each relay has behind it, kept across runs in a small file.

The file, of the format `rungwise-wear/1`, is replaced whole and atomically: a reader sees the old
counts or the new ones. A lock file beside it keeps two runs that end together, on two ladders, from
losing counts.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from filelock import FileLock

from controller.errors import InputError
from controller.ladder.model import Ladder
from controller.regular_file import read_regular

__all__ = ["FORMAT", "WARN_SHARE", "add_operations", "load_operations", "wear_warnings"]

FORMAT = "rungwise-wear/1"

WARN_SHARE = 0.8
"""The share of its rated life from which a relay is warned of."""


def load_operations(path: Path, ladder: Ladder) -> tuple[int, ...]:
    """Return the operations of each relay of a ladder; zeros when the file has none of it.

    Raises InputError when the file is there but cannot be understood: it is never overwritten
    then, because the counts in it are worth more than a run's convenience.
    """
    counts = _read(path).get(ladder.name, [])
    return tuple([*counts, *[0] * ladder.relay_count][: ladder.relay_count])


def add_operations(path: Path, ladder: Ladder, operations: Sequence[int]) -> tuple[int, ...]:
    """Add a run's operations, one count for each relay, and return the new totals.

    Creates the file when it is not there. Raises InputError when it cannot be read or written.
    """
    if len(operations) != ladder.relay_count or min(operations, default=0) < 0:
        raise ValueError("one count of zero or more for each relay")
    with _locked(path):
        every = _read(path)
        known = load_operations(path, ladder)
        totals = tuple(old + new for old, new in zip(known, operations, strict=True))
        # Counts of relays that a shorter description of the ladder leaves out are kept.
        every[ladder.name] = [*totals, *every.get(ladder.name, [])[ladder.relay_count :]]
        _replace(path, {"format": FORMAT, "ladders": every})
    return totals


def wear_warnings(
    ladder: Ladder, operations: Sequence[int], *, share: float = WARN_SHARE
) -> tuple[str, ...]:
    """Return a sentence for each relay past a share of its rated life; unrated ones are skipped."""
    sentences = []
    for relay, count in zip(ladder.relays, operations, strict=True):
        rated = relay.rated_operations
        if rated is not None and count >= share * rated:
            left = (
                "replace it before it fails" if count < rated else "it is worn out: replace it now"
            )
            sentences.append(
                f"relay {relay.index} has {count} of {rated} rated operations behind it "
                f"({count / rated:.0%}): {left}"
            )
    return tuple(sentences)


def _read(path: Path) -> dict[str, list[int]]:
    if not path.exists():
        return {}
    try:
        text = read_regular(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError.single(f"cannot be read: {error}", where=str(path)) from None
    try:
        document: Any = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _unsound(path, f"not valid JSON: {error}") from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise _unsound(path, f"not a {FORMAT} file")
    ladders = document.get("ladders")
    if not isinstance(ladders, dict):
        raise _unsound(path, "has no table of ladders")
    for name, counts in ladders.items():
        if not isinstance(counts, list) or not all(
            isinstance(count, int) and not isinstance(count, bool) and count >= 0
            for count in counts
        ):
            raise _unsound(path, f"the counts of {name!r} are not whole numbers of zero or more")
    return ladders


def _unsound(path: Path, message: str) -> InputError:
    return InputError.single(
        message, where=str(path), hint="mend it, or move it away to start counting from zero"
    )


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Wait until nobody else is counting in the file's folder, which is made when missing."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(path)) from None
    lock = FileLock(path.with_name(f".{path.name}.lock"))
    # Some network file systems know no locks; counting goes on there as well as it can.
    with suppress(OSError, NotImplementedError):
        lock.acquire()
    try:
        yield
    finally:
        lock.release()


def _replace(path: Path, document: dict[str, Any]) -> None:
    """Write beside the file, flush to the disk, and rename over it."""
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", text=True)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                json.dump(document, file, indent=1)
                file.write("\n")
                file.flush()
                os.fsync(file.fileno())
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise InputError.single(f"cannot be written: {error.strerror}", where=str(path)) from None
