"""Coils behind a guardian: a process of its own that holds the port and outlives this one.

Knows: how a guardian is started and spoken to.
Must not know: bytes on the line, kinds of boards, what is believed of relays.
"""

from __future__ import annotations

import json
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from controller.links.boards import Board, board_fields
from controller.links.channel import ChannelError
from controller.links.coils import Doubt, ParkedAloneError

__all__ = ["GuardedCoils"]

_ROOT = Path(__file__).parents[2]
_START = (
    "import sys; sys.path.insert(0, sys.argv[1]);"
    " from controller.links.guardian import main; main()"
)
_LEAVES_WITHIN_S = 3.0


class GuardedCoils:
    """The coils of a board, asked by way of a guardian.

    `park_state` is what the guardian sets when this process is gone, or when it has asked nothing
    for `hold_off_ms`.
    """

    def __init__(self, board: Board, *, park_state: int, hold_off_ms: int) -> None:
        self._board = board
        self._orders = {
            "board": board_fields(board),
            "park_state": park_state,
            "hold_off_ms": hold_off_ms,
        }
        self._guardian: subprocess.Popen[str] | None = None
        self._asked_for = 0

    @property
    def port(self) -> str:
        """The port that the guardian holds."""
        return self._board.url

    @property
    def pid(self) -> int | None:
        """The guardian's process, while there is one."""
        return None if self._guardian is None else self._guardian.pid

    def open(self) -> str | None:
        """Start a guardian and have it open the port."""
        self.close()
        # A session of its own: a Ctrl-C or a terminal that closes is not meant for it.
        self._guardian = subprocess.Popen(  # noqa: S603 - this interpreter, our own module
            [sys.executable, "-P", "-c", _START, str(_ROOT)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        name = self._asked("open", self._orders)
        return None if name is None else str(name)

    def write(self, state: int) -> None:
        """Set all outputs."""
        self._asked("write", state)

    def read(self) -> int:
        """Return the state of all outputs."""
        return int(self._asked("read"))

    def clear(self) -> None:
        """Have the line cleared."""
        self._asked("clear")

    def close(self) -> None:
        """Let the guardian go; it parks first what it knows to be set, as long as that takes."""
        guardian, self._guardian = self._guardian, None
        if guardian is None:
            return
        for pipe in (guardian.stdin, guardian.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        try:
            guardian.wait(_LEAVES_WITHIN_S)
        except subprocess.TimeoutExpired:
            # Still trying to park: it goes on without us, and nobody waits for how it ends.
            guardian.returncode = 0

    def _asked(self, what: str, value: Any = None) -> Any:
        guardian = self._guardian
        if guardian is None:
            raise ChannelError("the port is not open")
        assert guardian.stdin is not None  # noqa: S101 - both are pipes
        assert guardian.stdout is not None  # noqa: S101
        self._asked_for += 1
        number = None
        try:
            guardian.stdin.write(json.dumps([self._asked_for, what, value]) + "\n")
            guardian.stdin.flush()
            while number != self._asked_for:  # whoever was interrupted has left an answer unread
                number, kind, *told = json.loads(guardian.stdout.readline())
        except (OSError, ValueError):  # an empty line is the end
            raise ChannelError(
                "the guardian process that holds the port has ended", "start again; it parks first"
            ) from None
        match kind:
            case "doubt":
                raise Doubt(told[0])
            case "parked":
                raise ParkedAloneError(*told)
            case "error":
                raise ChannelError(*told)
        return told[0]
