"""Text that comes from elsewhere, through every output: nothing of it acts on its reader.

It comes as the name of a device, a plan, a bench, a sensor, a module, of files, as fault codes, and
as a record somebody made up. No control byte, no markup, no formula and no line of its own may
reach whoever reads what the program puts out.
"""

from __future__ import annotations

import csv
import io
import json
import sys
import tempfile
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from xml.etree import ElementTree as ET

sys.path.insert(0, str(Path(__file__).resolve().parent))

from damaged_records import good_record, rechained, said
from torture_bench import SWEEPS, Row, row

TEXTS = (
    "\x1b]0;taken\x07\x1b[2J", "\x9b31mred", "\r\rPASS", "a\nVerdict: FORGED", "\u202egnp.exe",
    "\u2066x\u2069", "\x00", "\x7f\x08\x08", "<script>alert(1)</script>", "\"><img src=x>",
    "]]>&lt;&#x1b;", "=HYPERLINK(\"x\")", "+1+1", "-2+3", "@SUM(1)", "\t=1", "＝1+1",
    "[/bold][link=file:///x]", "\ud800", "\ufffe", "{0}%s%n", "\u200b\ufeff",
)  # fmt: skip


NAMING = (
    "sensors/tern-coolant.toml",
    "modules/tern-aux-diesel.toml",
    "ladders/bench-16.toml",
    "benches/simulated.toml",
    "coolant-check.toml",
)
"""The files that give themselves a name."""


def acting(text: str, *, lines: bool = True) -> set[str]:
    """Return the characters of an output that a terminal would act on."""
    allowed = "\n" if lines else ""
    return {c for c in text if c not in allowed and unicodedata.category(c) in ("Cc", "Cf", "Cs")}


def forged(text: str) -> bool:
    """Whether a line of the output is one that a foreign text has made up."""
    return any(line.strip() == "Verdict: FORGED" for line in text.split("\n"))


def records(folder: Path, texts: Sequence[str]) -> list[str]:
    """Put each text wherever a record holds words, and read the record with each verb."""
    good = [json.loads(line) for line in good_record(folder).splitlines()]
    found = []
    for number, text in enumerate(texts):
        lines = json.loads(json.dumps(good))
        for line in lines:
            _poison(line, text)
        path, junit = folder / "foreign.jsonl", folder / f"{number}.xml"
        path.write_bytes(rechained(lines))
        for verb in ("report", "export", "replay", "diagnose", "compare"):
            more = {"replay": ("--junit", junit), "compare": (folder / "good.jsonl",)}.get(verb, ())
            status, words = said(verb, path, *more)
            if acting(words.replace("\r\n", "\n")) or not isinstance(status, int):
                found.append(f"{verb}: {text!r} {status}")
            if verb == "report" and forged(words):
                found.append(f"report: a line forged by {text!r}")
            if verb == "export" and status == 0:
                found += [f"export: {cell!r}" for cell in _formulas(words)]
        if junit.exists():
            tree = ET.fromstring(junit.read_text(encoding="utf-8"))
            if any(acting(said_) for one in tree.iter() for said_ in _all_text(one)):
                found.append(f"junit: {text!r}")
            if {one.tag for one in tree.iter()} - {
                *("testsuite", "testcase", "failure", "properties", "system-out", "system-err"),
            }:
                found.append(f"junit: markup by {text!r}")
    return found


def _all_text(one: ET.Element) -> list[str]:
    return [*one.attrib.values(), one.text or "", one.tail or ""]


def _poison(line: dict[str, object], text: str) -> None:
    """Put a text wherever a line holds words that are not a choice of ours."""
    for key in ("sentence", "message", "device", "text"):
        if key in line and line[key] != "started":
            line[key] = text
    if "codes" in line:
        line["codes"] = [text, "P0118", text]
    if line["type"] == "opening":
        line["plan"]["name"] = text  # type: ignore[index]
        line["plan"]["warnings"] = [text]  # type: ignore[index]
        line["bench"]["name"] = text  # type: ignore[index]
        line["versions"]["rungwise"] = text  # type: ignore[index]


def _formulas(text: str) -> list[str]:
    """Return the cells that a spreadsheet would carry out; numbers may have a minus."""
    cells = [cell for line in csv.reader(io.StringIO(text)) for cell in line]
    parts = [part for cell in cells for part in (cell, *cell.split(";"))]
    starts = tuple("=+-@\t\r＝＋－＠")
    return [part for part in parts if part.strip().startswith(starts) and not _is_number(part)]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def files(folder: Path, texts: Sequence[str]) -> list[str]:
    """Put each text into the names that input files give, and run what they describe."""
    found = []
    for number, text in enumerate(texts):
        if any(unicodedata.category(c) == "Cs" for c in text):
            continue  # no UTF-8 file can hold it
        place = folder / f"files-{number}"
        place.mkdir()
        quoted = json.dumps(text)
        if "\x7f" in text:
            quoted = quoted.replace("\x7f", "\\u007f")
        for name in NAMING:
            target = place / name
            target.parent.mkdir(exist_ok=True)
            lines = (SWEEPS / name).read_text(encoding="utf-8").splitlines()
            named = [f"name = {quoted}" if line.startswith("name =") else line for line in lines]
            target.write_text("\n".join(named) + "\n", encoding="utf-8")
        plan = place / "coolant-check.toml"
        record = place / "run.jsonl"
        for words in (
            ("curve", place / "sensors/tern-coolant.toml", "--at", "20"),
            ("nearest", place / "ladders/bench-16.toml", "2500"),
            ("plan", plan),
            ("check", plan, "--record", record),
            ("report", record),
            ("replay", record, "--junit", place / "junit.xml"),
        ):
            status, told = said(*words)
            if acting(told) or not isinstance(status, int):
                found.append(f"{words[0]}: {text!r} {status} {acting(told)}")
            if words[0] in ("report", "check") and forged(told):
                found.append(f"{words[0]}: a line forged by {text!r}")
    return found


def file_names(folder: Path, texts: Sequence[str]) -> list[str]:
    """Give each text as the name of a file, on the command line and inside a file."""
    found = []
    plan = (SWEEPS / "coolant-check.toml").read_text(encoding="utf-8")
    for number, text in enumerate(texts):
        for verb in ("curve", "plan", "replay", "report", "links"):
            status, told = said(verb, text.replace("-2", "x-2"))
            if acting(told) or status not in (2, 3):
                found.append(f"{verb} {text!r}: {status} {acting(told)}")
        if any(unicodedata.category(c) == "Cs" for c in text):
            continue
        path = folder / f"named-{number}.toml"
        quoted = json.dumps(text).replace("\x7f", "\\u007f")
        path.write_text(plan.replace('"sensors/tern-coolant.toml"', quoted), encoding="utf-8")
        status, told = said("plan", path)
        if acting(told) or status != 2:
            found.append(f"a plan that names {text!r}: {status} {acting(told)}")
    return found


def through(folder: Path, texts: Sequence[str]) -> list[Row]:
    """Put every text through every output."""
    ways: list[Callable[[Path, Sequence[str]], list[str]]] = [records, files, file_names]
    found = [one for way in ways for one in way(folder, texts)]
    return [
        row(
            "foreign text through every output",
            len(texts) * (5 + 6 + 6),
            len(found),
            also=" | ".join([f"{len(texts)} texts", *found[:30]]),
        )
    ]


def sets(full: bool, folder: Path) -> Iterator[Callable[[], list[Row]]]:
    """Return every set, whole or quick."""
    yield lambda: through(folder, TEXTS if full else TEXTS[::5])


def rows(full: bool = True) -> list[Row]:
    """Return every row."""
    with tempfile.TemporaryDirectory() as name:
        return [one for made in sets(full, Path(name)) for one in made()]
