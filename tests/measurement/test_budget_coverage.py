"""What the U of a step promises, counted on boxes and an input that share no code with the budget.

The full table, with its binomial bounds, is ``python tests/benchmarks/table.py budget``.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

BENCHMARK = Path(__file__).resolve().parents[1] / "benchmarks" / "budget.py"
TRIALS = 20


@pytest.fixture(scope="module")
def benchmark_of_budget() -> ModuleType:
    """The simulated boxes, their input and what is counted."""
    name = "rungwise_benchmark_budget"
    spec = importlib.util.spec_from_file_location(name, BENCHMARK)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["bench-16.toml", "bench-mixed.toml"])
@pytest.mark.parametrize("calibrated", [False, True])
def test_u_holds_what_a_right_module_reports(benchmark_of_budget, name, calibrated):
    """95 % of 20, less three standard deviations."""
    inside = benchmark_of_budget.covered(
        name, calibrated=calibrated, resolution=0.1, trials=TRIALS, seed=4
    )
    assert inside >= 16


def test_a_budget_of_a_third_is_noticed(benchmark_of_budget, monkeypatch):
    """A planted fault: every part counts a third of itself."""
    honest = benchmark_of_budget.step_budgets

    def too_small(*given, **more):
        return tuple(
            replace(one, parts=tuple(replace(p, celsius=p.celsius / 3.0) for p in one.parts))
            for one in honest(*given, **more)
        )

    monkeypatch.setattr(benchmark_of_budget, "step_budgets", too_small)
    inside = benchmark_of_budget.covered(
        "bench-16.toml", calibrated=True, resolution=0.1, trials=TRIALS, seed=4
    )
    assert inside < 16
