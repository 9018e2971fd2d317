"""The measured circuit of the benchmarks, which shares nothing with the product."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def study() -> ModuleType:
    """The benchmark of calibrations: a circuit of its own, and what is found of it."""
    path = Path(__file__).resolve().parents[2] / "benchmarks" / "calibration.py"
    spec = importlib.util.spec_from_file_location("rungwise_benchmark_calibration", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
