"""Relay boards as a bench file declares them: plain data, and from there to coils.

Knows: what can differ between boards of a kind.
Must not know: files, the bytes of any board, what is believed of relays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from controller.clock import Clock
from controller.links.coils import Coils

__all__ = ["AsciiBoard", "Board", "ModbusBoard", "board_fields", "board_of", "coils_of"]


@dataclass(frozen=True, kw_only=True)
class Board:
    """A board whose every step is timed by the host.

    `outputs` is how many it has, `step_ms` how long one change of state takes at most: the command,
    its answer, and the reading back. `answer_s` is how long an answer is waited for; one that has
    not come `wait_out_s` after that will not come any more. With `guardian` a process of its own
    holds the port and parks when this program is gone. `declared_name` is what the board says when
    it is asked who it is; None where that is not checked. `parks_by_itself` stands here so that
    records say it: no such board is known to.
    """

    kind: ClassVar[str] = ""

    url: str
    baud: int = 9600
    outputs: int
    step_ms: int
    answer_s: float = 0.3
    wait_out_s: float = 1.0
    guardian: bool = True
    declared_name: str | None = None
    parks_by_itself: bool = False


@dataclass(frozen=True, kw_only=True)
class ModbusBoard(Board):
    """Coils of one unit on a Modbus RTU line. `first_coil` is an address, counted from 0."""

    kind: ClassVar[str] = "modbus-rtu"

    unit: int = 1
    first_coil: int = 0
    parity: str = "none"
    stop_bits: int = 1


@dataclass(frozen=True, kw_only=True)
class AsciiBoard(Board):
    """A board that takes lines of text. What they look like is told by `links.ascii_words`.

    `ending` ends every line, both ways. `set_reply` is None where a set is not answered, `identify`
    and `identify_reply` where the board cannot say who it is. With `echo` it repeats each command.
    """

    kind: ClassVar[str] = "ascii"

    ending: str = "\r\n"
    echo: bool = False
    set: str
    set_reply: str | None = None
    read: str
    read_reply: str
    identify: str | None = None
    identify_reply: str | None = None


_KINDS: dict[str, type[Board]] = {one.kind: one for one in (ModbusBoard, AsciiBoard)}


def board_fields(board: Board) -> dict[str, Any]:
    """Return a board as plain data, its kind included."""
    return {"kind": board.kind, **asdict(board)}


def board_of(fields: Mapping[str, Any]) -> Board:
    """Return the board that `board_fields` has written down. Raises KeyError or TypeError."""
    stated = dict(fields)
    return _KINDS[stated.pop("kind")](**stated)


def coils_of(board: Board, clock: Clock) -> Coils:
    """Return the coils of a board, not yet open; `clock` is a real one."""
    match board:
        case ModbusBoard():
            from controller.links.modbus_coils import ModbusCoils

            return ModbusCoils(board, clock)
        case AsciiBoard():
            from controller.links.ascii_coils import AsciiCoils

            return AsciiCoils(board, clock)
    raise ValueError(f"no coils for a board of kind {board.kind!r}")
