"""Which keys loaders ask for, noted while they load: the reference of keys is made of that."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

__all__ = ["Asked", "noted_keys", "noting_keys"]


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A key that a loader has asked for: where, what may stand there, whether it has to.

    `path` is dotted, with ``[]`` for any entry of an array; `shape` one of number, integer, text,
    file, choice, boolean, table, tables, numbers, rows, any. `default` is None where there is none.
    """

    format: str
    path: str
    shape: str
    required: bool
    default: object = None
    above: float | None = None
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()


_NOTED: ContextVar[list[Asked] | None] = ContextVar("noted", default=None)


@contextmanager
def noting_keys() -> Iterator[list[Asked]]:
    """Note every key that loaders ask for inside the block: the reference is made of that."""
    noted: list[Asked] = []
    token = _NOTED.set(noted)
    try:
        yield noted
    finally:
        _NOTED.reset(token)


def noted_keys() -> list[Asked] | None:
    """Return the list that keys are noted in at present; None outside `noting_keys`."""
    return _NOTED.get()
