"""The page: what it holds, what it must never hold, and that its numbers are the record's."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from controller.cautions import CAUTIONS
from controller.cli.main import main
from controller.diagnosis import Words
from controller.errors import InputError
from controller.records.decode import results_of
from controller.records.reader import Record, load_record
from controller.reports.html import Attached, Told, report_html

Recorded = Callable[[str], Record]

RECORDED = Path(__file__).resolve().parents[2] / "sweeps" / "recorded"

HOSTILE = "</title></style><script>alert(1)</script><img src=x onerror=alert(2)>\" ' & \x1b[31m‮"


@pytest.fixture(scope="session")
def recorded() -> Callable[[str], Record]:
    return lambda name: load_record(RECORDED / f"coolant-{name}.jsonl")


def strings_in(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return where the texts in a JSON value are."""
    if isinstance(value, str):
        return [at]
    if isinstance(value, dict | list):
        inside = value.items() if isinstance(value, dict) else enumerate(value)
        return [one for key, item in inside for one in strings_in(item, (*at, key))]
    return []


def with_text(value: Any, at: tuple[Any, ...], text: str) -> Any:
    """Return a copy of a JSON value with another text at one place."""
    copy = json.loads(json.dumps(value))
    holder = copy
    for key in at[:-1]:
        holder = holder[key]
    holder[at[-1]] = text
    return copy


ALLOWED = frozenset(
    (
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "h1",
        "h2",
        "h3",
        "p",
        "strong",
        "div",
        "section",
        "table",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "ul",
        "ol",
        "li",
        "figure",
        "figcaption",
        "pre",
        "svg",
        "g",
        "path",
        "rect",
        "circle",
        "text",
        "polyline",
    )
)
VOID = frozenset({"meta"})


class Page(HTMLParser):
    """What a browser would make of the page: elements, attributes, tables, text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.tables: list[list[list[str]]] = []
        self.words: list[str] = []
        self.style = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == [], "every element is closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)
        if tag == "table":
            self.tables.append([])
        if tag == "tr":
            self.tables[-1].append([])
        if tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert "svg" in self._open, f"<{tag}/> does not close itself in HTML"
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)
        if self._open[-1:] == ["style"]:
            self.style += data
        if self._open[-1:] in (["td"], ["th"]):
            self.tables[-1][-1][-1] += data

    @property
    def text(self) -> str:
        return " ".join(self.words)

    def table(self, *heads: str) -> list[list[str]]:
        """Return the rows of the table whose heads hold these words."""
        return next(t[1:] for t in self.tables if t and set(heads) <= set(t[0]))


def page_of(
    *records: Record, words: Words | str = "No diagnosis.", told: Told | None = None
) -> Page:
    return Page(report_html(records, [words] * len(records), told=told))


def assert_harmless(page: Page) -> None:
    """Only our elements, nothing that acts or fetches, a policy that denies both."""
    assert {tag for tag, _ in page.tags} <= ALLOWED
    for _tag, attributes in page.tags:
        assert not {"src", "href", "style", "srcset", "xlink:href", "id"} & set(attributes)
        assert not any(name.startswith("on") for name in attributes)
    policy = next(
        a["content"] for _, a in page.tags if a.get("http-equiv") == "Content-Security-Policy"
    )
    digest = hashlib.sha256(page.style.encode()).digest()
    assert policy is not None
    assert "default-src 'none'" in policy
    assert f"'sha256-{base64.b64encode(digest).decode()}'" in policy
    assert "unsafe" not in policy
    assert "url(" not in page.style
    assert "@import" not in page.style
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f‮]", page.text)


def test_a_page_holds_what_is_handed_over(recorded: Recorded) -> None:
    record = recorded("corroded")
    page = page_of(record, told=Told(operator="night watch", machine="Tern", notes=("wet",)))
    assert_harmless(page)
    for words in (
        "Tern coolant sweep", "night watch", "wet", "Tern coolant sensor (ntc-ratio)",
        "4 from -30 to 0; 3 from 0 to 120", "false-accept risk 2.28 %", record.tail_hash,
        "Bench ladder, sixteen rungs", str((record.closing or {})["sentence"]), *CAUTIONS,
    ):  # fmt: skip
        assert words in page.text, words


def test_a_calibrated_ladder_is_told_with_its_calibration(tmp_path: Path) -> None:
    """What the calibration file says of itself stands on the page, and the U that follows."""
    path, sweeps = tmp_path / "calibrated.jsonl", RECORDED.parent
    bench = sweeps / "benches/calibrated.toml"
    words = ["check", str(sweeps / "coolant-check.toml"), "--bench", str(bench)]
    assert main([*words, "--record", str(path)]) == 0
    record = load_record(path)
    stated = tomllib.loads(
        (sweeps / "ladders/calibrations/bench-16-2026-03.toml").read_text(encoding="utf-8")
    )
    page = page_of(record)
    for said in (
        f"of {stated['utc']}, {stated['measurements']} measurements",
        f"instrument: {stated['instrument']}",
        "Simulated bench, calibrated ladder",
        "bench-16-2026-03.toml",
        "3 everywhere",
    ):
        assert said in page.text, said
    assert "none: values and tolerances as the ladder file states them" not in page.text
    assert (
        "none: values and tolerances" in page_of(load_record(RECORDED / "coolant-check.jsonl")).text
    )
    rows = page.table("tolerance", "error", "U (k=2)")
    (middle,) = (one.step for one in results_of(record) if one.step.budget)
    assert {part.name for part in middle.budget} >= {"calibration", "drift"}
    assert f"{middle.uncertainty_celsius:.2f}" in [row[4] for row in rows]
    assert_harmless(page)


def test_the_hash_is_that_of_the_last_line(recorded: Recorded) -> None:
    """As `tail -n 1 RECORD | sha256sum` works it out."""
    last = (RECORDED / "coolant-check.jsonl").read_bytes().splitlines(keepends=True)[-1]
    assert hashlib.sha256(last).hexdigest() in page_of(recorded("check")).text


def test_every_number_of_a_picture_stands_in_a_table(recorded: Recorded) -> None:
    record = recorded("corroded")
    results, page = results_of(record), page_of(record)
    assert len(results) == 61
    steps = page.table("ohm", "reported", "expected")
    assert [float(row[4]) for row in steps] == [one.reported_celsius for one in results]
    rows = page.table("tolerance", "error", "U (k=2)")
    for row, one in zip(rows, results, strict=True):
        assert float(row[3]) == pytest.approx(one.error_celsius, abs=0.0051)
        assert float(row[4]) == pytest.approx(one.step.uncertainty_celsius, abs=0.0051)
        assert float(row[5]) == one.step.tolerance_celsius
        assert row[6] == one.verdict.value
    assert [row[1] for row in rows] == ["up"] * 31 + ["down"] * 30
    swings = page.table("after the filter")
    for row, one in zip(swings, results, strict=True):
        assert float(row[1]) == pytest.approx(one.step.excursion_celsius, abs=0.0051)


def test_up_and_down_do_not_hide_each_other(recorded: Recorded) -> None:
    """A healthy run reports the same both ways: its marks would stand on one another."""
    text = report_html([recorded("healthy")], ["-"])
    first = text.split("<svg")[1].split("</svg>")[0]
    marks = re.findall(r'<path d="(M[^"]+Z)" class="full"/>', first)
    assert len(marks) == 61
    assert len(set(marks)) == 61


def test_large_errors_get_a_second_panel(recorded: Recorded) -> None:
    assert "drawn larger about the tolerance" in page_of(recorded("corroded")).text
    assert "drawn larger about the tolerance" not in page_of(recorded("healthy")).text


def test_the_tolerance_steps_where_its_bands_step(recorded: Recorded) -> None:
    text = report_html([recorded("healthy")], ["-"])
    bands = [
        [float(v) for v in found]
        for found in re.findall(
            r'class="band" x="([\d.]+)" y="[\d.]+" width="([\d.]+)" height="([\d.]+)"', text
        )
    ]
    (left, width, height), (right, _, lower) = bands
    assert left + width == pytest.approx(right, abs=0.02)
    assert height / lower == pytest.approx(4 / 3, abs=0.001)


def test_several_records_are_compared(recorded: Recorded) -> None:
    records = [recorded(name) for name in ("healthy", "corroded", "wrong-sensor")]
    page = page_of(*records)
    assert_harmless(page)
    assert "2: coolant-corroded.jsonl differs from 1: coolant-healthy.jsonl" in page.text
    healthy, corroded = (
        {one.step.index: one.error_celsius or 0.0 for one in results_of(r)} for r in records[:2]
    )
    means = page.table("mean error, degC")
    assert float(means[0][2]) == pytest.approx(sum(healthy.values()) / 61, abs=0.0051)
    assert float(means[1][2]) == pytest.approx(sum(corroded.values()) / 61, abs=0.0051)
    assert "No trend can be seen" in page.text or "The mean error changes" in page.text
    assert all(one.tail_hash in page.text for one in records)


def test_a_record_against_itself_agrees(recorded: Recorded) -> None:
    page = page_of(recorded("healthy"), recorded("healthy"))
    assert "agrees with" in page.text
    assert "A trend needs three records or more." in page.text


@pytest.mark.parametrize("field", ["operator", "machine", "codes_before", "codes_after"])
def test_hostile_words_of_the_reporter(recorded: Recorded, field: str) -> None:
    page = page_of(recorded("check"), told=Told(**{field: HOSTILE}))
    assert_harmless(page)
    assert "<script>alert(1)</script>" in page.text, "shown as words"


def test_hostile_notes_checks_diagnosis_and_file_name(recorded: Recorded) -> None:
    record = replace(recorded("check"), path=Path("/somewhere") / HOSTILE.replace("/", "|"))
    words = Words(
        headline=HOSTILE, meaning=HOSTILE, where_to_look=(HOSTILE,), not_ruled_out=(HOSTILE,),
        next_step=HOSTILE, remarks=(HOSTILE,), tried=HOSTILE, heading=HOSTILE,
    )  # fmt: skip
    attached = Attached(name=HOSTILE, sha256="0", text=HOSTILE)
    told = Told(notes=(HOSTILE,), checks=(attached,))
    assert_harmless(page_of(record, record, words=words, told=told))


def test_hostile_text_in_every_field_of_a_record(recorded: Recorded) -> None:
    """Each text of each kind of line once; a field that must be a word of ours is refused."""
    record = recorded("check")
    seen: set[str] = set()
    shown = refused = 0
    for index, line in enumerate(record.lines):
        if line["type"] in seen:
            continue
        seen.add(line["type"])
        for at in strings_in(line):
            lines = list(record.lines)
            lines[index] = with_text(line, at, HOSTILE)
            try:
                page = page_of(replace(record, lines=tuple(lines)))
            except InputError:
                refused += 1
                continue
            assert_harmless(page)
            shown += "<script>alert(1)</script>" in page.text
    assert seen == {"opening", "note", "set", "reading", "step", "closing"}
    assert shown >= 12
    assert refused >= 4


def test_hostile_codes_and_remarks(recorded: Recorded) -> None:
    record = recorded("check")
    lines = [
        {**line, "codes": [HOSTILE]} if line["type"] in ("reading", "step") else line
        for line in record.lines
    ]
    lines.insert(1, {**lines[1], "type": "fault", "message": HOSTILE})
    assert_harmless(page_of(replace(record, lines=tuple(lines))))


def test_a_record_that_was_cut_off(recorded: Recorded) -> None:
    record = recorded("check")
    page = page_of(replace(record, lines=record.lines[:2]))
    assert_harmless(page)
    assert "The record was never closed" in page.text
    assert "3 of 3 steps have no result." in page.text


def test_the_ending_decides(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = str(RECORDED / "coolant-corroded.jsonl")
    assert main(["report", record, "--output", str(tmp_path / "r.txt")]) == 0
    assert (tmp_path / "r.txt").read_text().startswith("RUN REPORT")
    check = tmp_path / "check.txt"
    check.write_text("the ladder is as its file says\n")
    words = ["report", record, "--output", str(tmp_path / "r.html"), "--check", str(check)]
    assert main(words) == 0
    page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
    assert_harmless(page)
    assert "Extra resistance in series: 150 ohm" in page.text
    assert "connector pins at the sensor" in page.text
    assert "the ladder is as its file says" in page.text
    assert hashlib.sha256(check.read_bytes()).hexdigest() in page.text
    assert main(words) == 2, "nothing is overwritten"
    assert "exists already" in capsys.readouterr().err


def test_text_has_no_place_for_several_records(capsys: pytest.CaptureFixture[str]) -> None:
    record = str(RECORDED / "coolant-check.jsonl")
    assert main(["report", record, record]) == 2
    assert "--output FILE.html" in capsys.readouterr().err
    assert main(["report", record, "--operator", "me"]) == 2
    assert "--operator" in capsys.readouterr().err


def test_fahrenheit(recorded: Recorded) -> None:
    record = recorded("check")
    page = Page(report_html([record], ["-"], fahrenheit=True))
    rows = page.table("ohm", "reported", "expected")
    for row, one in zip(rows, results_of(record), strict=True):
        assert float(row[4]) == pytest.approx((one.reported_celsius or 0) * 9 / 5 + 32, abs=0.0051)
