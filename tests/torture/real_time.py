"""The same in real time: the firmware's host port, a real pseudo-terminal, SIGKILL.

Whether and when the board parked is read from its own record of latches, in its own time.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from line_faults import KINDS, false_words, wrong_verdicts
from torture_bench import REPOSITORY, Ran, Row, prepared, row, run_on_line, write_files

from controller.bench.wiring import open_bench
from controller.clock import RealClock
from controller.links.pty_device import PtyDevice
from controller.links.simulated import (
    Direction,
    FaultHook,
    SimulatedChannel,
    SimulatedDevice,
    seeded_faults,
)
from controller.records.decode import results_of
from controller.records.reader import load_record
from controller.run.job import run_events
from controller.run.sweep import SweepRun
from controller.session.prepared import prepare

FIRMWARE = REPOSITORY / "firmware_protocol" / "firmware"
HOLD_OFF_MS = 500
LATE_MS = 50.0
STEPS = 3
PATIENCE_S = 60.0


# --- a line that goes wrong, behind a pseudo-terminal ---------------------------------------------


class FaultyDevice(SimulatedDevice):
    """A device on a line in memory that goes wrong, for what serves it behind a terminal."""

    def __init__(self, hook: FaultHook, **others: Any) -> None:
        super().__init__(**others)
        self.sound = SimulatedDevice.receive
        self._line = SimulatedChannel(_Plain(self), faults=hook)  # type: ignore[arg-type]

    def receive(self, data: bytes) -> bytes:
        """Let the bytes pass the line, and return what comes out of it at the other end."""
        self._line.write(data)
        return self._line._arrived()

    def catch_up(self) -> None:
        super().catch_up()


class _Plain:
    """The device without its line."""

    def __init__(self, device: FaultyDevice) -> None:
        self._device, self.clock = device, device.clock

    def receive(self, data: bytes) -> bytes:
        return SimulatedDevice.receive(self._device, data)

    def catch_up(self) -> None:
        SimulatedDevice.catch_up(self._device)

    def restart(self) -> None:
        self._device.restart()


def over_pty(seed: int, folder: Path) -> Ran:
    """Run the plan over a pseudo-terminal whose line goes wrong."""
    latched: list[tuple[float, int]] = []
    struck = {"sent": 0, "faults": 0}
    share = 10 ** random.Random(seed).uniform(-3, -0.7)
    strike = seeded_faults(seed, share, kinds=KINDS)

    def hook(direction: Direction, index: int, data: bytes) -> Any:
        fault = strike(direction, index, data)
        struck["sent"] += 1
        struck["faults"] += fault is not None
        return fault

    clock = RealClock()
    device = FaultyDevice(
        hook,
        relay_count=18,
        park_state=0,
        clock=clock,
        on_latch=lambda at_s, state: latched.append((at_s, state)),
    )
    with PtyDevice(device) as served:
        plan = prepare(
            *write_files(
                folder / f"pty-{seed}",
                steps=STEPS,
                for_s=0.6,
                link=f'kind = "serial"\nurl = "{served.path}"',
            )
        )
        with closing(open_bench(plan.bench, clock)) as bench:
            job = SweepRun(plan.resolved, bench, clock)
            events = list(run_events(job))
            at_end = list(latched)
    ending: Any = events[-1]
    return Ran(job.results, ending.summary, at_end, device, struck["sent"] // 2,
               struck["faults"], events)  # fmt: skip


def faulty_terminals(count: int, folder: Path) -> list[Row]:
    """Run over so many pseudo-terminals, some at a time: nearly all of it is waiting."""
    sound = run_on_line(prepared(folder / "sound", STEPS))
    with ThreadPoolExecutor(8) as pool:
        runs = list(pool.map(lambda seed: over_pty(seed, folder), range(count)))
    verdicts = sum(wrong_verdicts(ran, sound) for ran in runs)
    words = sum(false_words(ran) for ran in runs)
    known = set(sound.changes)
    moves = sum(state not in known for ran in runs for state in ran.changes)
    also = (
        f"{sum(r.exchanges for r in runs)} exchanges, {sum(r.faults for r in runs)} faults;"
        f" wrong verdicts {verdicts}, movements {moves}, words {words}"
    )
    return [row("pty with faults, real time", count, verdicts + words + moves, also=also)]


# --- SIGKILL --------------------------------------------------------------------------------------


@contextmanager
def board(folder: Path) -> Iterator[tuple[str, Path]]:
    """Run the host port of the firmware; yield its port and its record of latches."""
    subprocess.run(
        ["make", "-s", "-C", FIRMWARE, f"BUILD={folder / 'build'}", folder / "build/rungwise-host"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    record = folder / "latches.txt"
    process = subprocess.Popen(
        [folder / "build/rungwise-host", "--stay", "--record", record, "--replies"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        port = next(line.split()[1] for line in process.stdout if line.startswith("pty "))
        # What it goes on to say has to be taken: a full pipe would stand the board still.
        threading.Thread(target=process.stdout.read, daemon=True).start()
        yield port, record
    finally:
        process.kill()  # how it ends when it is asked to is the business of other tests
        process.wait(PATIENCE_S)


class Spawner:
    """Starts the program in forks of a process that is warm."""

    def __init__(self, folder: Path) -> None:
        self.told = folder / "told.txt"
        self._process = subprocess.Popen(
            [sys.executable, Path(__file__).with_name("spawner.py")],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "RUNGWISE_DATA": str(folder), "PYTHONPATH": str(REPOSITORY)},
        )

    def start(self, words: list[str]) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps([words, str(self.told)]) + "\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def status(self) -> int:
        assert self._process.stdout is not None
        return int(self._process.stdout.readline())

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(PATIENCE_S)
        self._process.stdout.close()


def _board_says(record: Path) -> tuple[int, float, float]:
    """Return the board's last state, and when in ms it latched it and sent its last reply."""
    state, latched_us, sent_us = 0, 0, 0
    told = record.read_text()
    for line in told[: told.rfind("\n") + 1].splitlines():
        word, *rest = line.split()
        if word == "latch":
            latched_us, state = int(rest[0]), int(rest[1], 16)
        elif word == "sent":
            sent_us = int(rest[0])
    return state, latched_us / 1000, sent_us / 1000


def killed(count: int, folder: Path) -> list[Row]:
    """Kill a run with SIGKILL at so many moments, and go on with it each time."""
    chance, found, latest_ms = random.Random(5), [], 0.0
    statuses: Counter[int] = Counter()
    with board(folder) as (port, latches), closing(Spawner(folder)) as spawner:
        plan, bench = write_files(
            folder / "killed",
            steps=STEPS,
            for_s=0.4,
            interval_s=0.1,
            hold_off_ms=HOLD_OFF_MS,
            link=f'kind = "serial"\nurl = "{port}"',
        )
        words = ["sweep", str(plan), "--bench", str(bench), "--yes", "--record"]
        sound = folder / "sound.jsonl"
        began_s = time.monotonic()
        spawner.start([*words, str(sound)])
        if (status := spawner.status()) != 0:
            raise RuntimeError(f"{status}: {spawner.told.read_text()}")
        took_s = time.monotonic() - began_s
        number = survived = 0
        while number < count and survived < 3 * count:
            path = folder / f"killed-{number}-{survived}.jsonl"
            process = spawner.start([*words, str(path)])
            with suppress(ProcessLookupError):  # it had ended by itself
                handle = os.pidfd_open(process)
                time.sleep(chance.uniform(0.05, took_s * 0.8))
                with suppress(ProcessLookupError):
                    signal.pidfd_send_signal(handle, signal.SIGKILL)
                os.close(handle)
            if spawner.status() != -signal.SIGKILL:
                survived += 1
                continue
            number += 1
            time.sleep(HOLD_OFF_MS / 1000 + 0.15)
            state, latched_ms, sent_ms = _board_says(latches)
            late_ms = latched_ms - sent_ms - HOLD_OFF_MS
            latest_ms = max(latest_ms, late_ms)
            if state != 0 or late_ms > LATE_MS:
                found.append(f"{number}: {state:#x}, {late_ms:.0f} ms late")
            if not path.exists() or b"\n" not in path.read_bytes():
                continue  # killed before the first whole line
            if load_record(path).first_unfinished >= STEPS:
                continue  # killed after the last step: there is nothing to go on with
            spawner.start([*words, str(path), "--resume"])
            status = spawner.status()
            statuses[status] += 1
            if status != 0:
                found.append(f"{number}: resumed with {status}: {spawner.told.read_text()[-300:]}")
            elif _numbers(path) != _numbers(sound):
                found.append(f"{number}: resumed to something else")
    also = (
        f"parked at most {latest_ms:.1f} ms after the hold-off by the board's log;"
        f" statuses of resumed runs {dict(statuses)}"
    )
    return [
        row("host killed, real time, resumed", number, len(found), also=" | ".join([also, *found]))
    ]


def _numbers(path: Path) -> list[Any]:
    return [(r.step.index, r.step.state, r.verdict) for r in results_of(load_record(path))]


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: faulty_terminals(24 if full else 4, folder)
    if shutil.which("make") and shutil.which("gcc"):
        yield lambda: killed(100 if full else 2, folder)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
