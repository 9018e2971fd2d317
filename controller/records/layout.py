"""Where the files of a run stand in its record: near each other, and nowhere on anybody's disk.

Knows: which file names which, by relative or by absolute path.
Must not know: what is in the files beyond the paths they name, records.

Files that name each other by relative paths have to keep their places to each other. Nothing else
has: a file that is only named by its absolute path, or on the command line, stands in a numbered
folder of its own, so that a record does not tell the folders of the computer it was made on.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath

__all__ = ["placed", "renamed"]

_STRINGS = re.compile(r"\"([^\"\n]+)\"|'([^'\n]+)'")
_NEAR = 2
"""Groups of files keep their places where both stand at most this deep below a common folder."""

_SHALLOWEST = 3
"""A common folder with fewer parts than this, "/" included, may be a user's own name."""


def placed(files: Mapping[Path, str]) -> dict[Path, PurePosixPath]:
    """Return the place in the record of every file; `files` maps absolute paths to texts."""
    groups = _groups(files)
    places: dict[Path, PurePosixPath] = {}
    for number, group in enumerate(groups, 1):
        root = _root(group)
        folder = PurePosixPath() if len(groups) == 1 else PurePosixPath(str(number))
        for path in group:
            places[path] = folder / path.relative_to(root).as_posix()
    return places


def renamed(path: Path, text: str, places: Mapping[Path, PurePosixPath]) -> str:
    """Return a file's text with the kept files it names absolutely named from its place."""

    def replaced(match: re.Match[str]) -> str:
        named: str = match[1] or match[2]
        whole: str = match[0]
        place = places.get(_absolute(Path(named))) if os.path.isabs(named) else None  # noqa: PTH117
        if place is None:
            return whole
        there = os.path.relpath(str(place), str(places[path].parent))
        return whole.replace(named, Path(there).as_posix())

    return _STRINGS.sub(replaced, text)


def _groups(files: Mapping[Path, str]) -> list[list[Path]]:
    """Return the files in groups that have to keep their places, the first file's group first."""
    groups = [[path] for path in files]
    for path, text in files.items():
        for target in _named_relatively(path, text):
            if target in files:
                _join(groups, path, target)
    for one in list(files):
        for other in list(files):
            ours, theirs = _group_of(groups, one), _group_of(groups, other)
            if ours is not theirs and _near(_root(ours), _root(theirs)):
                _join(groups, one, other)
    return groups


def _join(groups: list[list[Path]], one: Path, other: Path) -> None:
    ours, theirs = _group_of(groups, one), _group_of(groups, other)
    if ours is not theirs:
        ours.extend(theirs)
        groups.remove(theirs)


def _group_of(groups: list[list[Path]], path: Path) -> list[Path]:
    return next(group for group in groups if path in group)


def _root(group: list[Path]) -> Path:
    return Path(os.path.commonpath([path.parent for path in group]))


def _near(one: Path, other: Path) -> bool:
    common = Path(os.path.commonpath([one, other]))
    deepest = max(len(path.relative_to(common).parts) for path in (one, other))
    return len(common.parts) >= _SHALLOWEST and deepest <= _NEAR


def _named_relatively(path: Path, text: str) -> Iterator[Path]:
    for match in _STRINGS.finditer(text):
        named: str = match[1] or match[2]
        if not os.path.isabs(named):  # noqa: PTH117
            yield _absolute(path.parent / named)


def _absolute(path: Path) -> Path:
    return Path(os.path.abspath(path))  # noqa: PTH100 - resolve() would follow links
