"""Ports, records and counts that two want at once, and URLs that do more than reach a ladder."""

from __future__ import annotations

import json
import os
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import serial
from damaged_records import good_record, rechained, said
from torture_bench import Row, prepared, row, write_files

from controller.clock import RealClock, VirtualClock
from controller.errors import InputError, LinkError
from controller.ladder.wear import add_operations, load_operations
from controller.links.pty_device import PtyDevice
from controller.links.serial import URL_SCHEMES, serial_link
from controller.links.simulated import SimulatedDevice
from controller.session.jobs import sweeping

SCHEMES = (
    "spy", "alt", "cp2110", "SPY", "spy+x", "file", "http", "hwgrep+spy", "", "../spy", "os", "test"
)  # fmt: skip


@contextmanager
def watched() -> Iterator[list[str]]:
    """Note every port that pyserial is asked for."""
    opened: list[str] = []
    before = serial.serial_for_url

    def watch(url: str, *_: Any, **__: Any) -> Any:
        opened.append(url)
        raise serial.SerialException("nothing is opened here")

    serial.serial_for_url = watch
    try:
        yield opened
    finally:
        serial.serial_for_url = before


def urls(folder: Path) -> list[Row]:
    """Ask for handlers that are not ways to a ladder, and read records that name ports."""
    found, tried = [], 0
    kept = folder / "spied.txt"
    for scheme in SCHEMES:
        url = f"{scheme}:///dev/null?file={kept}"
        tried += 2
        with watched() as opened:
            try:
                serial_link(url).open()
                found.append(f"{url}: opened")
            except LinkError:
                pass
            _, bench = write_files(folder / "spy", link=f'kind = "serial"\nurl = "{url}"')
            status, _words = said("set", "2.5k", "--bench", bench, "--yes")
            if status != 3 or opened:
                found.append(f"{url}: {status} {opened}")
    for scheme in URL_SCHEMES:
        tried += 1
        with watched() as opened, suppress(LinkError):
            serial_link(f"{scheme}://127.0.0.1:9").open()
        if len(opened) != 1:
            found.append(f"{scheme} is not asked for")
    lines = [json.loads(line) for line in good_record(folder).splitlines()]
    for url in (f"spy:///dev/null?file={kept}", "socket://127.0.0.1:9", "/dev/ttyUSB0"):
        _name_port(lines[0], url)
        path = folder / "ports.jsonl"
        path.write_bytes(rechained(lines))
        for verb in ("replay", "report", "export", "diagnose", "compare"):
            tried += 1
            with watched() as opened:
                status, _words = said(verb, path)
            if opened or not isinstance(status, int):
                found.append(f"{verb} of a record that names {url}: {status} {opened}")
    if kept.exists():
        found.append("a file was written")
    return [row("serial URLs, and ports a record names", tried, len(found), also=" | ".join(found))]


def _name_port(opening: dict[str, Any], url: str) -> None:
    """Let the bench that a record keeps drive a port."""
    import hashlib

    opening["bench"]["link"], opening["bench"]["url"] = "serial", url
    for entry in opening["files"]:
        if 'format = "rungwise-bench/1"' in entry["text"]:
            head, _, tail = entry["text"].partition("[link]\n")
            rest = tail[tail.find("\n[") :]
            entry["text"] = f'{head}[link]\nkind = "serial"\nurl = "{url}"\n{rest}'
            entry["sha256"] = hashlib.sha256(entry["text"].encode()).hexdigest()


def contested(folder: Path, writers: int) -> list[Row]:
    """Let two want one port, two one record, and many one file of counts."""
    found, tried = [], 3
    device = SimulatedDevice(relay_count=18, park_state=0, clock=RealClock())
    with PtyDevice(device) as served:
        first, second = serial_link(served.path), serial_link(served.path)
        first.open()
        try:
            second.open()
            found.append("one port was opened twice")
        except LinkError as error:
            if "another program" not in str(error):
                found.append(str(error))
        first.feed()
        first.close()
    plan = prepared(folder / "contested", 3)
    path = folder / "contested.jsonl"
    held = sweeping(plan, record=path, pace="fast", clock=VirtualClock())
    for resume in (False, True):
        try:
            sweeping(plan, record=path, pace="fast", clock=VirtualClock(), resume=resume)
            found.append("one record was opened twice")
        except InputError as error:
            if not any(word in str(error) for word in ("another run", "exists already")):
                found.append(str(error))
    assert held.record is not None
    held.record.close()
    ladder, counts = plan.bench.ladder, folder / "wear" / "wear.json"
    ones = [1] * ladder.relay_count
    each = 5
    children = []
    for _ in range(2):  # two processes, each with some threads
        child = os.fork()
        if child == 0:
            _count(counts, ladder, ones, writers // 2, each)
            os._exit(0)
        children.append(child)
    for child in children:
        os.waitpid(child, 0)
    total = load_operations(counts, ladder)
    tried += writers * each
    if set(total) != {writers // 2 * 2 * each}:
        found.append(f"counts lost: {set(total)}")
    return [row("two on one port, record, wear file", tried, len(found), also=" | ".join(found))]


def _count(path: Path, ladder: Any, ones: list[int], threads: int, each: int) -> None:
    def add() -> None:
        for _ in range(each):
            add_operations(path, ladder, ones)

    workers = [threading.Thread(target=add) for _ in range(threads)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: urls(folder)
    yield lambda: contested(folder, 20 if full else 4)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
