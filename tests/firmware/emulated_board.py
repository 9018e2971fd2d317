"""Starts the reference firmware on an emulated board behind a pseudo-terminal.

    python tests/firmware/emulated_board.py --record latches.txt [--board avr|arm|host]
                                            [--relays 18] [--build FOLDER] [--replies]
                                            [--input MILLIVOLTS] [--wired FILE]

Prints `pty PATH` when the board listens, and runs until it is told to stop (SIGTERM or SIGINT).
Each time the relays are told something, a line `latch MICROSECONDS 0xSTATE COUNTER` goes to the
record: time of the board's own clock since it was started, state of the relays, the firmware's
own millisecond counter. With --replies (avr and host) it takes `sent MICROSECONDS HEX` as well:
each reply and the time of its last byte. With --input (avr and host) there is a voltage at analogue
input 0; with --wired (avr) it follows the relays, by lines of a state in hex and millivolts.
Builds what it needs first (progress on standard error).

`avr` is an ATmega328P in simavr, `arm` an STM32F405 in QEMU, `host` the C core as a process. For
`avr` and `host` the process replaces itself by the emulator, so SIGUSR1 pulls the reset line.
"""

from __future__ import annotations

import argparse
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import tty
from pathlib import Path

STM32F4_MACHINE = "netduinoplus2"
"""What QEMU calls its machine with an STM32F405."""
FIRMWARE = Path(__file__).parents[2] / "firmware_protocol" / "firmware"


def build(board: str, relays: int, folder: Path) -> None:
    targets = {"avr": ["sim", "avr"], "arm": ["arm"], "host": ["host"]}[board]
    made = subprocess.run(
        ["make", "-C", FIRMWARE, f"BUILD={folder}", f"RELAYS={relays}", "ARM_EMULATED=1", *targets],
        stdout=sys.stderr,
        check=False,
    )
    if made.returncode != 0:
        sys.exit(made.returncode)


def bridge(line: socket.socket, process: subprocess.Popen[bytes]) -> None:
    """Pass bytes between a pseudo-terminal and QEMU's socket until QEMU ends."""
    master, slave = os.openpty()
    tty.setraw(slave)  # before anybody knows its name
    print(f"pty {os.ttyname(slave)}", flush=True)
    while process.poll() is None:
        ready, _, _ = select.select([master, line], [], [], 0.2)
        if master in ready:
            line.sendall(os.read(master, 4096))
        if line in ready:
            data = line.recv(4096)
            if not data:
                return
            os.write(master, data)


def run_arm(image: Path, record: Path | None) -> None:
    with tempfile.TemporaryDirectory() as folder, socket.socket(socket.AF_UNIX) as listener:
        listener.bind(f"{folder}/line")
        listener.listen(1)
        taker = "null,id=record" if record is None else f"file,id=record,path={record}"
        process = subprocess.Popen(
            [
                *("qemu-system-arm", "-M", STM32F4_MACHINE, "-display", "none", "-monitor", "none"),
                *("-icount", "shift=5,sleep=on", "-kernel", image),
                *("-chardev", f"socket,id=line,path={folder}/line", "-chardev", taker),
                *("-serial", "chardev:line", "-serial", "chardev:record"),
            ],
            stdin=subprocess.DEVNULL,
        )

        def stop(_number: int, _frame: object) -> None:
            process.terminate()

        signal.signal(signal.SIGTERM, stop)
        signal.signal(signal.SIGINT, stop)
        line, _ = listener.accept()
        with line:
            bridge(line, process)
        process.wait()


def main() -> None:
    parser = argparse.ArgumentParser(description="Run the firmware behind a pseudo-terminal.")
    parser.add_argument("--board", choices=("avr", "arm", "host"), default="avr")
    parser.add_argument("--record", type=Path, help="file that takes the latch record")
    parser.add_argument("--replies", action="store_true", help="record replies too")
    parser.add_argument("--input", type=int, default=0, help="millivolts at analogue input 0")
    parser.add_argument("--wired", type=Path, help="millivolts at it by state (avr)")
    parser.add_argument("--relays", type=int, default=18, help="relays of the board (default 18)")
    parser.add_argument("--build", type=Path, help="where to build (default: the firmware's own)")
    chosen = parser.parse_args()
    folder = (chosen.build or FIRMWARE / "build").resolve() / f"relays-{chosen.relays}"
    build(chosen.board, chosen.relays, folder)
    if chosen.board == "arm":
        run_arm(folder / "rungwise-arm.elf", chosen.record)
        return
    options = ["--stay"] if chosen.record is None else ["--stay", "--record", str(chosen.record)]
    options += ["--input", str(chosen.input)]
    if chosen.wired is not None:
        options += ["--wired", str(chosen.wired)]
    if chosen.replies:
        options.append("--replies")
    if chosen.board == "host":
        program = str(folder / "rungwise-host")
        os.execv(program, [program, *options])
    program = str(folder / "rungwise-sim")
    image = str(folder / "rungwise-avr.elf")
    os.execv(program, [program, *options, "--relays", str(chosen.relays), image])


if __name__ == "__main__":
    main()
