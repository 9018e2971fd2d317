"""The simulated input that the diagnosis is tried on."""

from __future__ import annotations

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
def table() -> ModuleType:
    """The input worked out on paper, and the table of certainty made from it."""
    folder = str(TESTS / "benchmarks")
    if folder not in sys.path:
        sys.path.insert(0, folder)
    return _load(TESTS / "benchmarks" / "diagnosis_rows.py")
