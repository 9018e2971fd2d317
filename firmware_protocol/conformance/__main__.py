"""``python -m firmware_protocol.conformance PORT``: hold a real board to SPEC.md."""
# ruff: noqa: T201 - a command prints

from __future__ import annotations

import argparse
import sys
import termios
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress

from firmware_protocol.conformance import (
    CHECKS,
    Bench,
    Check,
    CheckFailed,
    Endpoint,
    NotApplicable,
    Result,
    run_check,
)
from firmware_protocol.messages import MOST_RELAYS, PROTOCOL_VERSION, Flag, Park, printable
from firmware_protocol.posix_port import PosixPort

__all__ = ["main"]

CAUTIONS = """\
This moves relays on the board, one after another, many times over.
 - Unplug the ladder from every vehicle, machine and module first: the checks pass through states
   that a module takes for an open or a shorted sensor, and a cooling fan can start without
   warning. Hands, hair, sleeves and leads clear of fans and belts.
 - Nothing but low-voltage, current-limited sensor inputs belongs on a ladder at any time: never
   heaters, glow plugs, ignition, airbag or high-voltage circuits, never mains.
 - The board must be able to switch any single relay without harm to itself."""

_SIGNS = {Result.PASSED: "ok  ", Result.FAILED: "FAIL", Result.NOT_APPLICABLE: "n/a "}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return 0 when nothing failed, 1 when a check did, 2 when none could run."""
    parser = argparse.ArgumentParser(
        prog="python -m firmware_protocol.conformance",
        description="Hold a board to the wire protocol. Moves relays.",
    )
    parser.add_argument("port", metavar="PORT", nargs="?", help="serial port, such as /dev/ttyUSB0")
    parser.add_argument("--baud", type=int, default=115200, help="line speed (default 115200)")
    parser.add_argument("--yes", action="store_true", help="do not ask before relays move")
    parser.add_argument("--only", metavar="WORD", default="", help="checks with this in their name")
    parser.add_argument(
        "--forbidden",
        metavar="MASK",
        type=_mask,
        help="a state the board refuses as forbidden, such as 0x3, so that this is checked, too",
    )
    parser.add_argument(
        "--restart",
        choices=["auto", "dtr", "ask", "no"],
        default="auto",
        help="what restarts the board: a pulse on DTR, you when asked, or nothing (default: DTR"
        " where that works, else you are asked)",
    )
    parser.add_argument(
        "--boot-ms", type=int, default=2000, help="how long a restarted board is left in peace"
    )
    parser.add_argument(
        "--minutes", action="store_true", help="also check what takes silences of a minute"
    )
    parser.add_argument("--list", action="store_true", help="list the checks and stop")
    options = parser.parse_args(arguments)
    checks = [check for check in CHECKS if options.only in check.name]
    if options.list:
        for check in checks:
            print(f"{check.name}: {check.about}")
        return 0
    if options.port is None:
        parser.error("say which port the board is at")
    if not checks:
        parser.error(f"no check has {options.only!r} in its name (--list shows them)")
    print(CAUTIONS)
    if not options.yes and not _agreed():
        print("Nothing was driven.")
        return 2
    try:
        port = PosixPort(options.port, baud=options.baud, boot_ms=options.boot_ms)
    except (OSError, termios.error) as error:
        print(f"{options.port}: cannot be opened: {error}; nothing was driven", file=sys.stderr)
        return 2
    port.forbidden_state = options.forbidden
    port.has_minutes = options.minutes
    try:
        if (reason := _wake(port)) is not None:
            print(f"{options.port}: {reason}; nothing was driven", file=sys.stderr)
            return 2
        port.restarter = _restarter(port, options.restart, may_ask=not options.yes)
        return _run(port, checks)
    except OSError as error:
        print(f"{options.port}: {error}; the relay state is unknown", file=sys.stderr)
        return 1
    finally:
        with suppress(OSError):
            port.release()


def _mask(text: str) -> int:
    try:
        mask = int(text, 0)
    except ValueError:
        mask = -1
    if mask < 0 or mask >> MOST_RELAYS:
        raise argparse.ArgumentTypeError(f"{text!r} is not a mask of relays, such as 0x3 or 5")
    return mask


def _run(port: Endpoint, checks: Sequence[Check]) -> int:
    """Run checks, say how each came out, park, and return the exit code."""
    count: Counter[Result] = Counter()
    repeats = 0
    interrupted = False
    try:
        for check in checks:
            outcome = run_check(check, port)
            count[outcome.result] += 1
            repeats += outcome.repeats
            reason = f": {outcome.reason}" if outcome.reason else ""
            print(f"{_SIGNS[outcome.result]} {check.name}{printable(reason)}", flush=True)
    except KeyboardInterrupt:
        interrupted = True
    parked = _park(port)
    print("The ladder is parked." if parked else "The relay state is unknown.")
    if repeats:
        print(f"{repeats} requests had to be repeated: look at the cable and the speed.")
    print(", ".join(f"{count[result]} {result.value}" for result in Result))
    if interrupted:
        return 130
    return 1 if count[Result.FAILED] or not parked else 0


def _agreed() -> bool:
    """Ask before relays move; anything but yes is no, and so is nobody to ask."""
    try:
        return input("Go on? [yes/no] ").strip().lower() in ("y", "yes")
    except EOFError:
        print()
        return False


def _wake(endpoint: Endpoint) -> str | None:
    """Wait until the board answers; return None then, else why there is nobody to talk with."""
    bench = Bench(endpoint)
    try:
        bench.wake()
    except CheckFailed as finding:
        return f"nobody answers as SPEC.md says: {printable(str(finding))}"
    if (version := bench.identity.version) != PROTOCOL_VERSION:
        return f"the board speaks version {version} of the protocol, not {PROTOCOL_VERSION}"
    return None


def _restarter(port: PosixPort, choice: str, *, may_ask: bool) -> Callable[[], None] | None:
    """Return what restarts the board: DTR, whoever sits there, or None."""
    if choice == "dtr" or (choice == "auto" and _dtr_restarts(port)):
        return port.pulse_dtr
    if choice == "no" or (choice == "auto" and not may_ask):
        return None

    def ask() -> None:
        print("Take the board's power away for a moment, give it back, then press Enter.")
        try:
            input()
        except EOFError:
            raise NotApplicable("nobody is there to restart the board") from None
        port.reopen()

    return ask


def _dtr_restarts(port: PosixPort) -> bool:
    """Park, clear the flag that tells of a restart, pulse DTR, and see whether it is back."""
    bench = Bench(port)
    try:
        bench.begin()
        port.pulse_dtr()
        port.advance(port.boot_ms)
        bench.wake()
        return bool(bench.identity.flags & Flag.RESTARTED)
    except (OSError, CheckFailed):
        return False


def _park(endpoint: Endpoint) -> bool:
    bench = Bench(endpoint)
    with suppress(CheckFailed, OSError):
        bench.identify()
        bench.ask(Park())
        return True
    return False


if __name__ == "__main__":
    sys.exit(main())
