"""A sequence whose items are made when they are asked for: what nobody looks at costs nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from typing import Generic, TypeVar, overload

__all__ = ["OnDemand"]

_Item = TypeVar("_Item", covariant=True)


class OnDemand(Sequence[_Item], Generic[_Item]):
    """So many items, each of them made by `make(index)`; equal to any sequence of the same ones.

    The last `kept` that were made are kept, because those beside each other are asked for again.
    """

    def __init__(self, length: int, make: Callable[[int], _Item], *, kept: int = 64) -> None:
        self._length = length
        self._item = lru_cache(kept)(make)

    def __len__(self) -> int:
        return self._length

    @overload
    def __getitem__(self, index: int) -> _Item: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[_Item, ...]: ...
    def __getitem__(self, index: int | slice) -> _Item | tuple[_Item, ...]:
        indices = range(self._length)[index]
        return self._item(indices) if isinstance(indices, int) else tuple(map(self._item, indices))

    def __iter__(self) -> Iterator[_Item]:
        # Not by trying until IndexError: an item that cannot be made may raise that as well.
        return map(self._item, range(self._length))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and tuple(self) == tuple(other)

    __hash__ = None  # type: ignore[assignment]
