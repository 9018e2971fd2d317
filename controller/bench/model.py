"""A bench as it is written down: ladder, link, readback, and what is simulated.

Knows: the kinds of links and readbacks, which of them touch anything real.
Must not know: how files look, how equipment is opened.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Literal

from controller.bench.can import CanSettings
from controller.cautions import BUS_CAUTION, board_cautions
from controller.ladder.calibration import Calibration
from controller.ladder.faults import LadderFault
from controller.ladder.model import Ladder
from controller.links.boards import Board
from controller.measurement.budget import Surroundings
from controller.measurement.input_circuit import Tap
from controller.meters.settings import MeterSettings
from controller.module.faults import Fault
from controller.module.model import Module

__all__ = [
    "HOST_TIMED_LINKS",
    "SIMULATED_LINKS",
    "BenchFile",
    "LinkKind",
    "ReadbackKind",
    "RelayMotion",
    "Switching",
]


class LinkKind(Enum):
    """The way to the ladder. `MODBUS_RTU` and `ASCII` are boards without firmware of ours."""

    SIMULATED = "simulated"
    SIMULATED_PTY = "simulated-pty"
    SERIAL = "serial"
    MODBUS_RTU = "modbus-rtu"
    ASCII = "ascii"


SIMULATED_LINKS = (LinkKind.SIMULATED, LinkKind.SIMULATED_PTY)
HOST_TIMED_LINKS = (LinkKind.MODBUS_RTU, LinkKind.ASCII)


class ReadbackKind(Enum):
    """The way the reported temperature comes in.

    `COMMAND` runs a program for each reading. `CAN` asks a module over its bus, `J1939` listens to
    what it broadcasts. `CALLED` is for programs that bring a function of their own; with `LATER`
    nothing is read during the run, and a log brings the readings afterwards. A file can name
    neither of the two.
    """

    SIMULATED = "simulated"
    TYPED = "typed"
    COMMAND = "command"
    CAN = "can"
    J1939 = "j1939"
    CALLED = "called"
    LATER = "later"


_NOTHING_TOUCHED = (
    ReadbackKind.SIMULATED,
    ReadbackKind.TYPED,
    ReadbackKind.COMMAND,
    ReadbackKind.CALLED,
    ReadbackKind.LATER,
)
"""What is known to move and to touch nothing real; everything else counts as real."""


class Switching(Enum):
    """How relays are commanded from one state to the next.

    `ALL_AT_ONCE` is for comparison on a simulated ladder, and for ladders whose file says that
    every switch is fast (`controller.ladder.path.FAST_MS`). With real relays it is refused: what
    the module sees on the way is left to chance.
    """

    PATH = "path"
    ALL_AT_ONCE = "all-at-once"


class RelayMotion(Enum):
    """How simulated relays get from one state to the next: with times and bounce, or in no time."""

    MOVING = "moving"
    IDEAL = "ideal"


@dataclass(frozen=True, kw_only=True)
class BenchFile:
    """A bench as written down. `path` is None for the bench that needs no file.

    `ladder` has its calibration put in; then `nominal_ladder` is the one from the file, and
    `calibration` keeps the correlations. `url` and `baud` are for the serial link; `module`,
    `faults`, `seed`, `relays` and `reading_interval_s` (seconds between two readings) for what is
    simulated. `typed_unit` is the unit of numbers that are typed without one. `command` is the
    program of a readback by command with its arguments; it has `command_timeout_s` to answer.
    `can` says how a module is read over CAN. `board` is what is declared of a board that the host
    times; None for all other links. `ladder_faults` are what is wrong inside a simulated ladder.
    `meter` is the ohm meter that measures the ladder, `tap` the way from the module's input to the
    board's own, where the bench has them.
    """

    name: str
    ladder: Ladder
    link: LinkKind = LinkKind.SIMULATED
    readback: ReadbackKind = ReadbackKind.SIMULATED
    hold_off_ms: int = 2000
    url: str | None = None
    baud: int = 115_200
    module: Module | None = None
    faults: tuple[Fault, ...] = ()
    seed: int = 1
    reading_interval_s: float = 0.25
    typed_unit: Literal["C", "F"] = "C"
    nominal_ladder: Ladder | None = None
    calibration: Calibration | None = None
    surroundings: Surroundings | None = None
    switching: Switching = Switching.PATH
    relays: RelayMotion = RelayMotion.MOVING
    path: Path | None = None
    command: tuple[str, ...] = ()
    command_timeout_s: float = 5.0
    can: CanSettings | None = field(default=None, metadata={"later": True})
    board: Board | None = field(default=None, metadata={"later": True})
    ladder_faults: tuple[LadderFault, ...] = field(default=(), metadata={"later": True})
    meter: MeterSettings | None = field(default=None, metadata={"later": True})
    tap: Tap | None = field(default=None, metadata={"later": True})

    @property
    def drives_hardware(self) -> bool:
        """Whether real relays move or a real bus is joined: then the cautions are shown first."""
        return self.link not in SIMULATED_LINKS or self.readback not in _NOTHING_TOUCHED

    @property
    def cautions(self) -> tuple[str, ...]:
        """What people must know of this bench, right after what can hurt at once."""
        of_board = () if self.board is None else board_cautions(guarded=self.board.guardian)
        return (*(() if self.can is None else (BUS_CAUTION,)), *of_board)

    @property
    def step_ms(self) -> int:
        """How long the host takes for one change of state; 0 where the firmware runs the path."""
        return 0 if self.board is None else self.board.step_ms

    @property
    def parks_by_itself(self) -> bool:
        """Whether the ladder parks when the computer falls silent, without anybody's help."""
        return self.board is None or self.board.parks_by_itself

    @property
    def refresh_s(self) -> float:
        """How often the module renews its report, as far as the bench file says."""
        return 0.0 if self.can is None else self.can.refresh_s
