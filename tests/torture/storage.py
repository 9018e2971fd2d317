"""A medium that fails, and record paths that are no files: words, a parked ladder, nothing lost."""

from __future__ import annotations

import errno
import os
import stat
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from damaged_records import said
from torture_bench import SWEEPS, Row, opened_by, prepared, row

from controller.clock import VirtualClock
from controller.errors import InputError, RungwiseError
from controller.links.simulated import SimulatedDevice
from controller.records import writer
from controller.records.decode import results_of
from controller.records.reader import load_record
from controller.session.jobs import sweeping
from controller.session.session import Session

NUMBERS = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.ESTALE)
WAYS = ("write", "fsync", "half a write")
FIRST = 20
STEPS = 3


class FailingSystem:
    """The system's calls, one of which fails at one line."""

    def __init__(self, way: str, at: int, number: int) -> None:
        self._way, self._at, self._number = way, at, number
        self.lines = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)

    def write(self, descriptor: int, data: bytes) -> int:
        self.lines += 1
        if self.lines >= self._at and self._way == "write":
            raise OSError(self._number, os.strerror(self._number))
        if self.lines >= self._at and self._way == "half a write":
            return os.write(descriptor, data[: len(data) // 2])
        return os.write(descriptor, data)

    def fsync(self, descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            return
        if self.lines >= self._at and self._way == "fsync":
            raise OSError(self._number, os.strerror(self._number))


@contextmanager
def system(failing: FailingSystem) -> Iterator[FailingSystem]:
    """Let the writer of records use another system."""
    before = writer.os
    writer.os = failing  # type: ignore[attr-defined]
    try:
        yield failing
    finally:
        writer.os = before  # type: ignore[attr-defined]


def ready() -> Any:
    """Return the plan of three steps."""
    return prepared(Path(tempfile.gettempdir()) / "rungwise-torture" / "three", STEPS)


def _run(path: Path, *, resume: bool = False) -> tuple[RungwiseError | None, list[SimulatedDevice]]:
    devices: list[SimulatedDevice] = []
    clock = VirtualClock()
    try:
        with opened_by(on_channel=lambda _channel, device: devices.append(device)):
            setup = sweeping(ready(), record=path, pace="real", clock=clock, resume=resume)
            with closing(Session(setup)) as session:
                for _ in session.events():
                    pass
    except RungwiseError as error:
        return error, devices
    return None, devices


def _numbers(path: Path) -> list[Any]:
    return [(r.step.index, r.reported_celsius, r.verdict) for r in results_of(load_record(path))]


def _failed(path: Path, way: str, at: int, number: int, sound: list[Any], lines: int) -> list[str]:
    wrong = []
    with system(FailingSystem(way, at, number)):
        error, devices = _run(path)
    if error is None:
        return ["no error"]
    if int(error.exit_code) not in (2, 3) or str(path) not in str(error):
        wrong.append(f"says {error}")
    for device in devices:
        if device.state != device.config.park_state:
            wrong.append("not parked")
        if "parked" not in str(error):
            wrong.append(f"does not say parked: {error}")
    if at == 1:
        if path.exists():
            wrong.append("left a file without a line")
        error, _ = _run(path)
    else:
        kept = load_record(path).line_count
        if kept != at - 1 + (way == "fsync"):
            wrong.append(f"{kept} lines kept of {at - 1}")
        error, _ = _run(path, resume=True)
        if isinstance(error, InputError) and "nothing to resume" in str(error):
            error = None
    if error is not None:
        wrong.append(f"not resumed: {error}")
    elif _numbers(path) != sound:
        wrong.append("resumed to something else")
    return wrong


def failing_medium(folder: Path, stride: int) -> list[Row]:
    """Let writing or syncing fail at each of the first and the last lines, and go on later."""
    undisturbed = folder / "sound.jsonl"
    error, _ = _run(undisturbed)
    assert error is None, error
    lines, sound = load_record(undisturbed).line_count, _numbers(undisturbed)
    places = sorted({*range(1, min(FIRST, lines) + 1), *range(lines - 4, lines + 1)})
    tries = [(way, at, number) for way in WAYS for at in places for number in NUMBERS][::stride]
    found = []
    for count, (way, at, number) in enumerate(tries):
        path = folder / f"failing-{count}.jsonl"
        found += [f"{way} {at}: {one}" for one in _failed(path, way, at, number, sound, lines)]
        path.unlink(missing_ok=True)
    return [
        row(
            "record's medium failing, resumed later",
            len(tries),
            len(found),
            also=f"{len(NUMBERS)} errors, {len(WAYS)} ways, {len(places)} lines"
            + (f"; {sorted(set(found))[:8]}" if found else ""),
        )
    ]


def record_paths(folder: Path) -> list[Row]:
    """Name as record what is not a file to be written, new and to be gone on with."""
    plan = SWEEPS / "coolant-check.toml"
    place = folder / "paths"
    place.mkdir()
    real = place / "real.jsonl"
    status, words = said("check", plan, "--record", real)
    assert status == 0, words
    held = real.read_bytes()
    os.mkfifo(place / "fifo")
    (place / "folder").mkdir()
    (place / "link").symlink_to(real)
    (place / "dangling").symlink_to(place / "nowhere")
    (place / "circle").symlink_to(place / "circle")
    (place / "read-only.jsonl").write_bytes(held)
    (place / "read-only.jsonl").chmod(0o444)
    names = ["fifo", "folder", "link", "dangling", "circle", "read-only.jsonl", "real.jsonl/x"]
    named = [str(place / name) for name in names]
    named += ["/dev/null", "/dev/full", "/dev/stdin", "/proc/self/mem", "a\0b", "x" * 300, ""]
    tried, found = 0, []
    for name in named:
        for more in ((), ("--resume",)):
            tried += 1
            status, words = said("check", plan, "--record", name, *more)
            if status != 2 or not words.strip():
                found.append(f"{name!r:.40} {more}: {status} {words[:90]!r}")
        for verb in ("replay", "report", "export", "diagnose"):
            tried += 1
            status, words = said(verb, name)
            fine = (0, 2, 4) if name.endswith(("link", "read-only.jsonl")) else (2,)
            if status not in fine or not words.strip():
                found.append(f"{verb} {name!r:.40}: {status} {words[:90]!r}")
    if real.read_bytes() != held or (place / "nowhere").exists():
        found.append("something was written through a link")
    return [
        row("record path that is no plain file", tried, len(found), also=" | ".join(found[:12]))
    ]


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: failing_medium(folder, 1 if full else 53)
    yield lambda: record_paths(folder)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
