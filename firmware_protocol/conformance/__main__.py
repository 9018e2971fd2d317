"""``python -m firmware_protocol.conformance PORT``: hold a real board to SPEC.md.

Knows: the command line, and the cautions that come before relays move.
Must not know: the checks.
"""
# ruff: noqa: T201 - a command prints

from __future__ import annotations

import argparse
import sys
import termios
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress

from firmware_protocol.conformance import (
    CHECKS,
    Bench,
    Check,
    CheckFailed,
    Endpoint,
    Result,
    run_check,
)
from firmware_protocol.messages import Park, printable
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

_WAKE_TRIES = 12
"""Many boards restart when their port is opened, and boot for two seconds."""


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
        port = PosixPort(options.port, baud=options.baud)
    except (OSError, termios.error) as error:
        print(f"{options.port}: cannot be opened: {error}; nothing was driven", file=sys.stderr)
        return 2
    try:
        if not _wake(port):
            print(f"{options.port}: nobody answers; nothing was driven", file=sys.stderr)
            return 2
        return _run(port, checks)
    except OSError as error:
        print(f"{options.port}: {error}; the relay state is unknown", file=sys.stderr)
        return 1
    finally:
        with suppress(OSError):
            port.release()


def _run(port: Endpoint, checks: Sequence[Check]) -> int:
    """Run checks, say how each came out, park, and return the exit code."""
    count: Counter[Result] = Counter()
    interrupted = False
    try:
        for check in checks:
            outcome = run_check(check, port)
            count[outcome.result] += 1
            reason = f": {outcome.reason}" if outcome.reason else ""
            print(f"{_SIGNS[outcome.result]} {check.name}{printable(reason)}", flush=True)
    except KeyboardInterrupt:
        interrupted = True
    parked = _park(port)
    print("The ladder is parked." if parked else "The relay state is unknown.")
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


def _wake(endpoint: Endpoint) -> bool:
    for _ in range(_WAKE_TRIES):
        with suppress(CheckFailed):
            Bench(endpoint).identify()
            return True
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
