"""Fixtures shared by the tests of the numbers: the simulated input of the benchmarks, tables."""

from __future__ import annotations

import csv
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

TESTS = Path(__file__).resolve().parents[1]


def _load(path: Path) -> ModuleType:
    name = f"rungwise_benchmark_{path.stem}"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def bench() -> ModuleType:
    """The simulated input and its studies."""
    return _load(TESTS / "benchmarks" / "diagnosis.py")


@pytest.fixture(scope="session")
def reference_rows():
    """Return a function: name of a reference table -> its rows as dictionaries."""

    def rows(name: str) -> list[dict[str, str]]:
        text = (TESTS / "reference" / name).read_text(encoding="utf-8").splitlines()
        return list(csv.DictReader(line for line in text if not line.startswith("#")))

    return rows
