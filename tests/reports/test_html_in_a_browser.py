"""The page as headless Chromium shows and prints it; skipped where Chromium is missing."""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import zlib
from pathlib import Path

import pytest

from controller.records.reader import load_record
from controller.reports.html import Told, report_html

RECORDED = Path(__file__).resolve().parents[2] / "sweeps" / "recorded"
CHROMIUM = shutil.which("chromium") or ""
PDFTOTEXT = shutil.which("pdftotext") or ""

pytestmark = [
    pytest.mark.soak,
    pytest.mark.skipif(not CHROMIUM, reason="Chromium is not installed"),
]


def browse(folder: Path, *words: str, page: str) -> subprocess.CompletedProcess[str]:
    file = folder / "page.html"
    file.write_text(page, encoding="utf-8")
    ended = subprocess.run(
        [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic",
            "--no-first-run", "--disable-background-networking", "--disable-component-update",
            "--disable-sync", "--hide-scrollbars", "--enable-logging=stderr",
            f"--user-data-dir={folder / 'profile'}", *words, file.as_uri(),
        ],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert "Content Security Policy" not in ended.stderr, "the page breaks its own policy"
    return ended


def corner(png: Path) -> tuple[int, ...]:
    """Return the first pixel: no filter changes it (PNG, third edition, section 9)."""
    data, at, packed = png.read_bytes(), 8, b""
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        if data[at + 4 : at + 8] == b"IDAT":
            packed += data[at + 8 : at + 8 + length]
        at += 12 + length
    return tuple(zlib.decompress(packed)[1:4])


@pytest.fixture(scope="module")
def page() -> str:
    return report_html([load_record(RECORDED / "coolant-corroded.jsonl")], ["No diagnosis."])


@pytest.mark.parametrize(
    ("scheme", "paper"), [("1", (0xFF, 0xFF, 0xFF)), ("0", (0x15, 0x19, 0x1E))]
)
def test_by_day_and_by_night(
    tmp_path: Path, page: str, scheme: str, paper: tuple[int, ...]
) -> None:
    picture = tmp_path / "page.png"
    browse(
        tmp_path,
        f"--blink-settings=preferredColorScheme={scheme}",
        "--window-size=1000,1400",
        f"--screenshot={picture}",
        page=page,
    )
    assert corner(picture) == paper


@pytest.mark.skipif(not PDFTOTEXT, reason="poppler-utils is not installed")
def test_on_a4_paper(tmp_path: Path, page: str) -> None:
    pdf = tmp_path / "page.pdf"
    browse(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page=page)
    boxed = subprocess.run(
        [PDFTOTEXT, "-bbox", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = re.findall(r'<page width="([\d.]+)" height="([\d.]+)">(.*?)</page>', boxed, re.DOTALL)
    assert 4 <= len(pages) <= 12
    for width, height, words in pages:
        # ISO 216: 210 mm x 297 mm; a point is 1/72 inch.
        assert float(width) == pytest.approx(210 / 25.4 * 72, abs=1)
        assert float(height) == pytest.approx(297 / 25.4 * 72, abs=1)
        places = [float(x) for x in re.findall(r'xMax="([\d.]+)"', words)]
        assert places, "no page is empty"
        assert max(places) <= float(width) - 12 / 25.4 * 72, "nothing runs over the margin"


def test_hostile_words_stay_words(tmp_path: Path) -> None:
    hostile = "</td><script>document.title='taken'</script><img src=x onerror=alert(1)>"
    record = load_record(RECORDED / "coolant-check.jsonl")
    page = report_html([record], [hostile], told=Told(operator=hostile, notes=(hostile,)))
    tree = browse(tmp_path, "--dump-dom", page=page).stdout
    assert "&lt;script&gt;" in tree
    assert "<script" not in tree
    assert "<img" not in tree
    assert "<title>taken" not in tree
