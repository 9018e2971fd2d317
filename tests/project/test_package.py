"""What is handed out: the wheel carries what runs, the sources what their README needs."""

from __future__ import annotations

import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = sorted(path.parent for path in ROOT.glob("*/__init__.py"))
FIRMWARE = "firmware_protocol/firmware/"
IGNORED = {"__pycache__", "build", "runs"}
KINDS_IN_WHEEL = {".py", ".typed", ".md", ".json", ".toml", ".jsonl", ".yml", ".cff"}


def files_of(folder: Path) -> set[str]:
    return {
        path.relative_to(ROOT).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and IGNORED.isdisjoint(path.relative_to(ROOT).parts)
    }


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dist")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", folder],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture(scope="module")
def in_wheel(built: Path) -> set[str]:
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        return {name for name in opened.namelist() if ".dist-info/" not in name}


@pytest.fixture(scope="module")
def in_sdist(built: Path) -> set[str]:
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as opened:
        return {name.partition("/")[2] for name in opened.getnames()}


def test_the_wheel_carries_every_module(in_wheel: set[str]) -> None:
    assert {path.name for path in PACKAGES} >= {"controller", "firmware_protocol"}
    modules = {
        name
        for package in PACKAGES
        for name in files_of(package)
        if name.endswith((".py", ".typed")) and not name.startswith(FIRMWARE)
    }
    with_the_c_sources = {
        name for name in modules if name.startswith("firmware_protocol/firmware/tools/")
    }
    assert modules - with_the_c_sources <= in_wheel


def test_the_wheel_carries_nothing_that_does_not_run(in_wheel: set[str]) -> None:
    assert {name.partition("/")[0] for name in in_wheel} == {path.name for path in PACKAGES}
    assert {Path(name).suffix for name in in_wheel} <= KINDS_IN_WHEEL
    assert not [name for name in in_wheel if name.startswith(FIRMWARE)]


def test_the_source_distribution_carries_what_its_documents_speak_of(in_sdist: set[str]) -> None:
    assert {"requirements.lock", "pyproject.toml", "README.md", "LICENSE"} <= in_sdist
    for folder in ("sweeps", "tests/reference", "tests/tui/__snapshots__", "firmware_protocol"):
        assert files_of(ROOT / folder) <= in_sdist
    for page in ("README.md", "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#:]+)\)", (ROOT / page).read_text("utf-8")):
            assert target in in_sdist, f"{page} points to {target}"
