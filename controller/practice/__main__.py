"""`python -m controller.practice modbus-rtu` (or `ascii`): a practice board until Ctrl-C.

Knows: pseudo-terminals and the command's arguments.
Must not know: anything of the program that is tried with it.
"""

from __future__ import annotations

import argparse
import os
import select
import signal
import sys
import termios
import threading
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from controller.practice.board import FAULTS, Board, Faults, Outputs
from controller.practice.languages import ModbusLanguage, TextLanguage

__all__ = ["PracticePort", "main"]

_PART_OF_A_REQUEST_S = 0.1
"""A request whose rest has not come within this is given up."""


class PracticePort:
    """A pseudo-terminal with a board at its end; `path` is where programs reach it. POSIX only."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self._ours, self._theirs = os.openpty()
        # Raw from the start: an echo would look like an answer.
        tty.setraw(self._theirs, termios.TCSANOW)
        self.path = os.ttyname(self._theirs)
        self._stop = threading.Event()
        self._wake_read, self._wake_write = os.pipe()

    def serve(self) -> None:
        """Answer until `stop` is called or the port is gone."""
        while not self._stop.is_set():
            ready, _, _ = select.select([self._ours, self._wake_read], [], [], _PART_OF_A_REQUEST_S)
            if not ready:
                self.board.forget()
            elif self._ours in ready:
                with suppress(OSError):  # the other side may close at any moment
                    self._answer(os.read(self._ours, 4096))
        for end in (self._ours, self._theirs, self._wake_read, self._wake_write):
            os.close(end)

    def stop(self) -> None:
        """Take the port away; any thread may call this, once."""
        self._stop.set()
        os.write(self._wake_write, b"x")

    def _answer(self, data: bytes) -> None:
        for answer in self.board.receive(data):
            if answer.gone:
                self._stop.set()
                return
            if answer.delay_s and self._stop.wait(answer.delay_s):
                return
            left = answer.data
            while left:
                left = left[os.write(self._ours, left) :]


def main() -> int:
    """Run a board; return the exit status."""
    arguments = _arguments()
    try:
        note = _log_to(arguments.log) if arguments.log else lambda _state: None
    except OSError as error:
        sys.stderr.write(f"{arguments.log}: cannot be written: {error.strerror}\n")
        return 2
    outputs = Outputs(arguments.outputs, note)
    note(outputs.state)
    language = ModbusLanguage(arguments.unit) if arguments.kind == "modbus-rtu" else TextLanguage()
    faults = Faults(
        arguments.fault, every=arguments.every, seed=arguments.seed, late_s=arguments.late_s
    )
    port = PracticePort(Board(outputs, language, faults))
    if arguments.at.is_symlink():
        arguments.at.unlink()  # left by a board that was killed
    try:
        arguments.at.symlink_to(port.path)
    except OSError as error:
        sys.stderr.write(f"{arguments.at}: cannot be made: {error.strerror} (name another --at)\n")
        return 2
    sys.stdout.write(f"A practice board of {outputs.count} outputs answers at {arguments.at}\n")
    sys.stdout.flush()
    # Without its board the name must not stay: the terminal behind it may become somebody else's.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        port.serve()
    except KeyboardInterrupt:
        pass
    finally:
        with suppress(OSError):
            arguments.at.unlink()
    return 0


def _log_to(path: Path) -> Callable[[int], None]:
    """Return what writes each state of the outputs as a line of hexadecimal, at once."""
    file = path.open("a", encoding="ascii")

    def note(state: int) -> None:
        file.write(f"{state:#x}\n")
        file.flush()

    return note


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("must be 1 or more")
    return number


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m controller.practice",
        description="A relay board that does not exist, to try a bench file without hardware.",
    )
    parser.add_argument("kind", choices=("modbus-rtu", "ascii"), help="what the board speaks")
    parser.add_argument(
        "--at",
        type=Path,
        default=Path("/tmp/rungwise-practice"),  # noqa: S108 - a name that bench files can state
        help="where the port appears (default: %(default)s)",
    )
    parser.add_argument(
        "--outputs", type=_positive, default=18, help="how many (default: %(default)s)"
    )
    parser.add_argument("--unit", type=int, default=1, help="Modbus unit (default: %(default)s)")
    parser.add_argument("--log", type=Path, help="write each state of the outputs to this file")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        choices=FAULTS,
        help="what goes wrong now and then; may be repeated",
    )
    parser.add_argument("--every", type=_positive, default=10, help="with one request of so many")
    parser.add_argument("--seed", type=int, default=1, help="of the faults' chance")
    parser.add_argument("--late-s", type=float, default=0.5, help="the latest late answer")
    return parser.parse_args()


if __name__ == "__main__":
    raise SystemExit(main())
