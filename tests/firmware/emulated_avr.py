"""Starts the reference firmware on an emulated ATmega328P behind a pseudo-terminal.

    python tests/firmware/emulated_avr.py --record latches.txt [--relays 18] [--build FOLDER]

Prints `pty PATH` when the board listens, and runs until it is told to stop (SIGTERM, SIGINT, or
`quit` on standard input); a closed standard input does not stop it. Each time the relays are told
something, a line `latch MICROSECONDS 0xSTATE COUNTER` goes to the record: time of the emulated
chip since it was powered up, state of the relays, the firmware's own millisecond counter.
SIGUSR1, or `restart` on standard input, pulls the reset line. The process replaces itself by the
emulator, so its process number is the emulator's.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path

FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"


def main() -> None:
    parser = argparse.ArgumentParser(description="Run the AVR firmware behind a pseudo-terminal.")
    parser.add_argument("--record", type=Path, help="file that takes the latch record")
    parser.add_argument("--relays", type=int, default=18, help="relays of the board (default 18)")
    parser.add_argument("--build", type=Path, help="where to build (default: the firmware's own)")
    chosen = parser.parse_args()
    build = (chosen.build or FIRMWARE / "build").resolve() / f"relays-{chosen.relays}"
    made = subprocess.run(
        ["make", "-C", FIRMWARE, f"BUILD={build}", f"RELAYS={chosen.relays}", "sim", "avr"],
        stdout=sys.stderr,
        check=False,
    )
    if made.returncode != 0:
        sys.exit(made.returncode)
    command = [str(build / "rungwise-sim"), "--stay", "--relays", str(chosen.relays)]
    if chosen.record is not None:
        command += ["--record", str(chosen.record)]
    os.execv(command[0], [*command, str(build / "rungwise-avr.elf")])


if __name__ == "__main__":
    main()
