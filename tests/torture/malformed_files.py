"""Files that are wrong by byte or by structure: words and exit status 2, soon, and nothing written.

A file that is changed may still be a good one; then its verb does what it does. What never comes
is a traceback, ten seconds, or a gigabyte.
"""

from __future__ import annotations

import os
import random
import re
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from damaged_records import said
from torture_bench import SWEEPS, Row, row

LONGEST_S = 10.0
MOST_MB = 1024
STATUSES = {0, 1, 2, 4}

FILES: dict[str, tuple[str, ...]] = {
    "coolant-check.toml": ("plan", "coolant-check.toml"),
    "sensors/tern-coolant.toml": ("curve", "sensors/tern-coolant.toml", "--at", "20"),
    "sensors/tern-coolant-chart.toml": ("curve", "sensors/tern-coolant-chart.toml"),
    "sensors/tern-oil-steinhart-hart.toml": ("curve", "sensors/tern-oil-steinhart-hart.toml"),
    "sensors/tern-exhaust-pt1000.toml": ("curve", "sensors/tern-exhaust-pt1000.toml"),
    "sensors/tern-harbour-ni100.toml": ("curve", "sensors/tern-harbour-ni100.toml"),
    "ladders/bench-16.toml": ("nearest", "ladders/bench-16.toml", "2500"),
    "ladders/bench-mixed.toml": ("nearest", "ladders/bench-mixed.toml", "2500", "open"),
    "modules/tern-aux-diesel.toml": ("plan", "coolant-check.toml"),
    "modules/tern-two-pullups.toml": ("plan", "two.toml"),
    "benches/simulated.toml": ("plan", "coolant-check.toml", "--bench", "benches/simulated.toml"),
    "benches/calibrated.toml": ("plan", "coolant-check.toml", "--bench", "benches/calibrated.toml"),
    "benches/serial-example.toml": (
        *("plan", "coolant-check.toml", "--bench", "benches/serial-example.toml"),
    ),
    "benches/simulated-corroded.toml": (
        *("plan", "coolant-check.toml", "--bench", "benches/simulated-corroded.toml"),
    ),
    "by-hand.csv": ("diagnose", "by-hand.csv", "--plan", "coolant-sweep.toml"),
}
"""Each file that is changed, and a verb that reads it."""

VALUES = (
    "1e308", "-1e308", "nan", "inf", "-inf", "0", "-1", "1e-320", "9" * 400, '""', '"\\u0000"',
    "true", "[]", "{}", "1979-05-27", '"/dev/zero"', '"../../../../etc/passwd"', "[[1e308, 1e308]]",
    '"x"', "[nan]", "1e6", "99999999999", '"\\u202e"', '"/dev/stdin"', '"."', '"fifo"',
)  # fmt: skip


def laid_out(folder: Path) -> Path:
    """Copy the demonstration's files."""
    place = folder / "sweeps"
    if not place.exists():
        shutil.copytree(SWEEPS, place, ignore=shutil.ignore_patterns("recorded", "*.svg"))
        check = (place / "coolant-check.toml").read_text()
        (place / "two.toml").write_text(check.replace("tern-aux-diesel", "tern-two-pullups"))
        os.mkfifo(place / "fifo")
        os.mkfifo(place / "sensors" / "fifo")
    return place


def changed(text: str, chance: random.Random) -> bytes:
    """Return a file with one thing in it wrong."""
    data = bytearray(text.encode())
    lines = text.splitlines(keepends=True)
    at = chance.randrange(len(lines))
    match chance.randrange(9):
        case 0:
            data[chance.randrange(len(data))] = chance.randrange(256)
        case 1:
            start = chance.randrange(len(data))
            del data[start : start + chance.randrange(1, 40)]
        case 2:
            data.insert(chance.randrange(len(data)), chance.choice(b"\x00\xff[]{}\"'=#\n,."))
        case 3:
            return "".join(lines[:at] + lines[at + 1 :]).encode()
        case 4:
            return "".join([*lines[: at + 1], *lines[at:]]).encode()
        case 5:
            start = chance.randrange(len(data))
            data[start:start] = data[chance.randrange(len(data)) :][:200]
        case _:
            values = [*re.finditer(r"(?<=[=,\[] )(\"[^\"\n]*\"|[-+.\de]+|true|false)", text)]
            values += [*re.finditer(r"(?<=\[)[-+.\de]+|(?<=\n)[-.\d]+(?=,)", text)]
            if values:
                one = chance.choice(values)
                return (text[: one.start()] + chance.choice(VALUES) + text[one.end() :]).encode()
    return bytes(data)


def _placed(place: Path, word: str) -> str | Path:
    """Return a word of a command; the name of a file stands in the folder."""
    return place / word if word.endswith((".toml", ".csv")) else word


def _told(words: tuple[str, ...], place: Path, statuses: set[int]) -> list[str]:
    """Run a verb; return what is wrong with how it ended."""
    began_s = time.process_time()
    status, text = said(*(_placed(place, word) for word in words))
    took_s = time.process_time() - began_s
    wrong = []
    if status not in statuses:
        wrong.append(f"{status}")
    if status == 2 and not text.strip():
        wrong.append("no words")
    if took_s > LONGEST_S:
        wrong.append(f"took {took_s:.0f} s")
    if "Traceback" in text or "\x00" in text or "\x1b" in text:
        wrong.append("control bytes or a traceback in its words")
    return wrong


def _state(place: Path) -> dict[str, int]:
    return {str(path): path.lstat().st_mtime_ns for path in place.rglob("*")}


def mutated(folder: Path, count: int) -> list[Row]:
    """Change one thing in one file, and let a verb read it."""
    place, chance = laid_out(folder), random.Random(3)
    found: set[str] = set()
    names = list(FILES)
    wrong = 0
    before = _state(folder)
    slowest_s = 0.0
    for number in range(count):
        name = names[number % len(names)]
        path = place / name
        good = path.read_text(encoding="utf-8")
        content = changed(good, chance)
        path.write_bytes(content)
        began_s = time.process_time()
        told = _told(FILES[name], place, STATUSES)
        slowest_s = max(slowest_s, time.process_time() - began_s)
        path.write_text(good, encoding="utf-8")
        wrong += bool(told)
        if told:
            kept = Path(tempfile.gettempdir()) / f"rungwise-torture-{number}-{path.name}"
            kept.write_bytes(content)
            found.add(f"{kept}: {told}")
    written = set(_state(folder)) - set(before)
    also = f"{len(names)} files; slowest {slowest_s:.1f} s CPU; written elsewhere {len(written)}"
    return [
        row(
            "input file changed by byte or structure",
            count,
            wrong + len(written),
            also=" | ".join([also, *sorted(found)[:20]]),
        )
    ]


def extreme(folder: Path, verbs: int, share: int = 1) -> list[Row]:
    """Give verbs files that are enormous, deep, endless, circular, or none at all.

    What takes longest is so many times smaller as `share` says.
    """
    place = laid_out(folder)
    ladder = (place / "ladders/bench-16.toml").read_text()
    rung = "  { relay = 0, ohms = 1000 },\n"
    files: dict[str, str | bytes] = {
        "rungs-1e6.toml": ladder.replace("rungs = [", "rungs = [\n" + rung * 1_000_000),
        "rungs-3e4.toml": ladder.replace("rungs = [", "rungs = [\n" + rung * (30_000 // share)),
        "large.toml": b"# " + b"x" * 50_000_000,
        "deep.toml": "a = " + "[" * 100_000 + "]" * 100_000,
        "deep-keys.toml": ".".join(["a"] * 20_000) + " = 1\n",
        "nulls.toml": b"\x00" * 500_000,
        "one-line.toml": "a = " + "1" * 900_000,
        "keys.toml": 'format = "rungwise-ladder/1"\n'
        + "".join(f"k{n} = 1\n" for n in range(40_000 // share)),
        "tables.toml": 'format = "rungwise-ladder/1"\n' + "[[group]]\n" * (80_000 // share),
        "quotes.toml": 'format = "rungwise-sensor/1"\n' + '"""' * 100_001,
    }
    (place / "circle-a.toml").symlink_to(place / "circle-b.toml")
    (place / "circle-b.toml").symlink_to(place / "circle-a.toml")
    names = ["circle-a.toml", "fifo", "/dev/zero", "/dev/null", "/dev/tty", "/proc/self/mem", "."]
    for name, content in files.items():
        data = content if isinstance(content, bytes) else content.encode()
        (place / name).write_bytes(data)
        names.append(name)
    plan = (place / "coolant-check.toml").read_text()
    for index, named in enumerate(("/dev/zero", "fifo", "self.toml", "/dev/tty", "circle-a.toml")):
        text = re.sub(r"(?m)^sensor = .*$", f'sensor = "{named}"', plan)
        (place / f"names-{index}.toml").write_text(text)
        names.append(f"names-{index}.toml")
    before = _state(folder)
    found = []
    tried = 0
    for name in names:
        for words in (
            ("curve", str(place / name)),
            ("nearest", str(place / name), "100"),
            ("plan", str(place / name)),
            ("diagnose", str(place / name), "--plan", str(place / "coolant-sweep.toml")),
            ("report", str(place / name)),
        )[:verbs]:
            tried += 1
            found += [f"{words[0]} {name}: {one}" for one in _told(words, Path("/"), {2})]
    for name in files:
        (place / name).unlink()
    written = set(_state(folder)) - set(before)
    most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    if most_mb > MOST_MB:
        found.append(f"{most_mb} MB of memory")
    also = f"most memory of the process {most_mb} MB"
    return [
        row(
            "input file enormous, deep, endless, circular",
            tried,
            len(found) + len(written),
            also=" | ".join([also, *found[:20]]),
        )
    ]


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: mutated(folder, 2000 if full else 60)
    yield lambda: extreme(folder, 5) if full else extreme(folder, 2, share=5)


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
