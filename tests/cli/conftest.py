"""Running the command line inside the test process."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from controller.cli.main import main

REPOSITORY = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Ended:
    """How a run of the program ended."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document on standard output."""

        def refuse(name: str) -> None:
            raise AssertionError(f"{name} is not JSON (RFC 8259, section 6)")

        return json.loads(self.out, parse_constant=refuse)


@pytest.fixture
def rungwise(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Ended]:
    """Run the program in an empty folder; its words must hold no traceback."""
    monkeypatch.chdir(tmp_path)

    def run(*words: object) -> Ended:
        status = main([str(word) for word in words])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return Ended(status, captured.out, captured.err)

    return run


@pytest.fixture(scope="session")
def sweeps() -> Path:
    """The folder of the demonstration data."""
    return REPOSITORY / "sweeps"


@pytest.fixture
def brisk(tmp_path: Path) -> Path:
    """Return a copy of the demonstration data whose check waits for little: for runs in real time.

    The module decides soon that it is open or shorted, and few relays make the point in between.
    """
    folder = tmp_path / "brisk"
    shutil.copytree(REPOSITORY / "sweeps", folder)
    for name, before, after in (
        ("modules/tern-aux-diesel.toml", "detection_s = 2.0", "detection_s = 0.3"),
        ("coolant-check.toml", "for_s = 4 ", "for_s = 0.8 "),
        ("coolant-check.toml", '"open", 40, "short"', '"short", -20, "open"'),
    ):
        text = (folder / name).read_text("utf-8")
        assert text.count(before) == 1
        (folder / name).write_text(text.replace(before, after), "utf-8")
    return folder


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str, str], Path]:
    """Write a file into the test's folder."""

    def write_file(name: str, text: str) -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write_file
