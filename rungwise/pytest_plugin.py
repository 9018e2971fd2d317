"""For pytest: a plan's run as a test whose report names every temperature that did not pass.

    def test_module(rungwise_run):
        rungwise_run("plans/coolant.toml", readback=lambda ohms, celsius: my_module.report(ohms))

    @rungwise.steps("plans/coolant.toml", readback=lambda ohms, celsius: my_module.report(ohms))
    def test_each_temperature(rungwise_step):
        assert rungwise_step.verdict == "pass", rungwise.describe(rungwise_step)

Relative paths are relative to pytest's root folder. pytest loads this file by itself wherever
Rungwise is installed; everything else is loaded when a test asks for it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pytest

import rungwise

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType
    from typing import TypeAlias

    from controller.planning.model import ResolvedPlan, ResolvedStep
    from controller.run.model import StepResult
    from rungwise._files import AnyPath

    PlanOrPath: TypeAlias = rungwise.Plan | AnyPath
    BenchOrPath: TypeAlias = rungwise.BenchFile | AnyPath

__all__ = ["rungwise_run", "rungwise_step", "steps"]

_MARKER = "rungwise_steps"

_Named = TypeVar("_Named")


def steps(
    plan: PlanOrPath,
    bench: BenchOrPath | None = None,
    *,
    readback: rungwise.ReadbackFunction | None = None,
    cautions_read: bool = False,
) -> pytest.MarkDecorator:
    """Return a decorator that makes one case of a test for each step of a plan.

    The test takes what came of its step as `rungwise_step`, a StepResult, and asserts what it
    likes; cases are named like ``step-07-40.0degC``. The plan is run once, before the first of
    them; the arguments are those of `rungwise.run`.
    """
    mark: pytest.MarkDecorator = getattr(pytest.mark, _MARKER)
    return mark(plan, bench, readback=readback, cautions_read=cautions_read)


@pytest.fixture
def rungwise_run(request: pytest.FixtureRequest) -> Callable[..., rungwise.Result]:
    """Run a plan and report each of its steps; takes what `rungwise.run` takes, returns its result.

    Each step is a subtest where pytest has them (from version 9 on, or with a plugin). Elsewhere
    one AssertionError lists every step that did not pass, with its temperature.
    """

    def run_and_report(
        plan: PlanOrPath,
        bench: BenchOrPath | None = None,
        *,
        readback: rungwise.ReadbackFunction | None = None,
        record: AnyPath | None = None,
        cautions_read: bool = False,
    ) -> rungwise.Result:
        __tracebackhide__ = True
        try:
            result = rungwise.run(
                _placed(request.config, plan),
                _placed(request.config, bench),
                readback=readback,
                record=_placed(request.config, record),
                cautions_read=cautions_read,
            )
        except Exception as error:  # noqa: BLE001 - it is raised again
            raise error.with_traceback(_of_others(error)) from error.__cause__
        try:
            subtests = request.getfixturevalue("subtests")
        except pytest.FixtureLookupError:
            subtests = None
        if subtests is None:
            _assert_all(result)
            return result
        for step in result.steps:
            with subtests.test(msg=_name(step.step, result.resolved)):
                _assert_passed(step)
        if result.ended != "complete":
            raise AssertionError(result.sentence)
        return result

    return run_and_report


@pytest.fixture
def rungwise_step(request: pytest.FixtureRequest) -> StepResult:
    """What came of the step that this case of a test with `rungwise.steps` is for."""
    __tracebackhide__ = True
    function = request.node
    result = _result_for(function)
    if isinstance(result, Exception):
        raise result.with_traceback(_of_others(result)) from result.__cause__
    index: int = request.param
    found = next((step for step in result.steps if step.step.index == index), None)
    last = found is not None and found is result.steps[-1]
    if found is None or (last and result.ended != "complete"):
        pytest.fail(result.sentence, pytrace=False)
    return found


def pytest_configure(config: pytest.Config) -> None:
    """Make the marker known."""
    config.addinivalue_line(
        "markers", f"{_MARKER}(plan, bench): one case for each step of a plan; see rungwise.steps"
    )


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Make the cases; nothing is run for that."""
    mark = metafunc.definition.get_closest_marker(_MARKER)
    asked = "rungwise_step" in metafunc.fixturenames
    if mark is None and not asked:
        return
    if mark is None or not asked:
        pytest.fail(
            f"{metafunc.definition.name}: @rungwise.steps(plan) and the argument rungwise_step"
            " belong together",
            pytrace=False,
        )
    plan, bench = (_placed(metafunc.config, argument) for argument in mark.args)
    try:
        resolved, refused = rungwise.resolve(plan, bench), None
    except rungwise.InputError as error:
        resolved, refused = None, error
    if resolved is None:
        pytest.fail(f"{metafunc.definition.name}: {refused}", pytrace=False)
    metafunc.parametrize(
        "rungwise_step",
        range(len(resolved.steps)),
        ids=[_name(step, resolved) for step in resolved.steps],
        indirect=True,
    )


_RESULTS = pytest.StashKey["dict[tuple[str, str], rungwise.Result | Exception]"]()


def _result_for(function: pytest.Function) -> rungwise.Result | Exception:
    """Return the run that all cases of a test share, or why there is none."""
    kept = function.session.stash.setdefault(_RESULTS, {})
    key = (function.parent.nodeid if function.parent else "", function.originalname)
    if key not in kept:
        mark = function.get_closest_marker(_MARKER)
        assert mark is not None  # noqa: S101 - there are no cases without it
        plan, bench = (_placed(function.config, argument) for argument in mark.args)
        try:
            kept[key] = rungwise.run(plan, bench, **mark.kwargs)
        except Exception as error:  # noqa: BLE001 - it is raised again for every case
            kept[key] = error
    return kept[key]


def _of_others(error: Exception) -> TracebackType | None:
    """Return the part of a traceback that is not ours: how we came to a sentence says nothing."""
    house = Path(rungwise.__file__).parents[1]
    ours = (str(house / "rungwise") + os.sep, str(house / "controller") + os.sep)
    trace = error.__traceback__
    while trace is not None and trace.tb_frame.f_code.co_filename.startswith(ours):
        trace = trace.tb_next
    return trace


def _placed(config: pytest.Config, named: _Named) -> _Named | Path:
    """Return a path below pytest's root folder; what is no path is left as it is."""
    return config.rootpath / named if isinstance(named, (str, os.PathLike)) else named


def _name(step: ResolvedStep, plan: ResolvedPlan) -> str:
    width = max(2, len(str(len(plan.steps))))
    celsius = step.target_celsius
    what = step.kind.value if celsius is None else f"{celsius:.1f}degC"
    return f"step-{step.index + 1:0{width}}-{what}"


def _assert_passed(step: StepResult) -> None:
    __tracebackhide__ = True
    if step.verdict != "pass":
        raise AssertionError(rungwise.describe(step))


def _assert_all(result: rungwise.Result) -> None:
    __tracebackhide__ = True
    if result.verdict != "pass":
        lines = [result.sentence, *(rungwise.describe(step) for step in result.not_passed)]
        raise AssertionError("\n".join(lines))
