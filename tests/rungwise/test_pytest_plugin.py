"""The pytest plugin: what a project that tests its own module sees in its log."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

import rungwise

ROOT = Path(__file__).resolve().parents[2]
PLAN = ROOT / "sweeps/coolant-check.toml"

HEALTHY = """\
def report(ohms, celsius):
    return celsius if celsius is not None else (-40 if ohms > 1e6 else 130)
"""
BROKEN_WHEN_WARM = """\
def report(ohms, celsius):
    return 99 if celsius is not None else (-40 if ohms > 1e6 else 130)
"""
RUN = f"""
from my_module import report

def test_module(rungwise_run):
    result = rungwise_run({str(PLAN)!r}, readback=report)
    assert [step.step.kind for step in result.steps] == ["open", "temperature", "short"]
"""
STEPS = f"""
import rungwise
from my_module import report

@rungwise.steps({str(PLAN)!r}, readback=report)
def test_each(rungwise_step):
    assert rungwise_step.verdict == "pass", rungwise.describe(rungwise_step)
"""
SUBTESTS = """
import contextlib
import pytest

@pytest.fixture
def subtests(request):
    class Subtests:
        failed = []

        @contextlib.contextmanager
        def test(self, msg):
            try:
                yield
            except AssertionError as error:
                self.failed.append(f"{msg}: {error}")

    yield Subtests()
    assert not Subtests.failed, "; ".join(Subtests.failed)
"""
"""What pytest has from version 9 on, as far as it is used here."""

BUILT_IN = pytest.version_tuple >= (9, 0)


@pytest.fixture(scope="module")
def loaded() -> None:
    """Load everything here: what a pytest inside this one loads, it drops again at its end."""
    assert rungwise.run(PLAN).verdict == "pass"


@pytest.fixture
def project(
    loaded: None, pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> pytest.Pytester:
    monkeypatch.setenv("COLUMNS", "300")
    # Snapshots keep their state in a global that a pytest inside a pytest would take away.
    pytester.makeini(
        "[pytest]\npythonpath = .\n"
        "addopts = --strict-markers -p no:cacheprovider -p no:textual-snapshot"
    )
    return pytester


def test_a_healthy_module_passes(project: pytest.Pytester) -> None:
    project.makepyfile(my_module=HEALTHY, test_it=RUN)
    done = project.runpytest()
    done.assert_outcomes(passed=1) if not BUILT_IN else done.stdout.fnmatch_lines("*1 passed*")
    assert done.ret == 0


@pytest.mark.skipif(BUILT_IN, reason="this pytest has subtests")
def test_without_subtests_one_error_lists_every_step_that_did_not_pass(
    project: pytest.Pytester,
) -> None:
    project.makepyfile(my_module="def report(ohms, celsius): return 99", test_it=RUN)
    done = project.runpytest("-ra")
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(
        [
            "E*AssertionError: 3 of 3 steps failed*",
            "E*step 1, open circuit: fail, reported 99.0 where -40.0 degC was expected*",
            "E*step 2, 40.0 degC: fail, reported 99.0 where 40.0 degC was expected*",
            "E*step 3, short circuit: fail*",
        ]
    )
    assert "pytest_plugin.py" not in done.stdout.str()  # the log shows the user's own line


@pytest.mark.parametrize("module", [HEALTHY, BROKEN_WHEN_WARM], ids=["healthy", "broken"])
def test_with_subtests_each_step_is_one(project: pytest.Pytester, module: str) -> None:
    if not BUILT_IN:
        project.makeconftest(SUBTESTS)
    project.makepyfile(my_module=module, test_it=RUN)
    done = project.runpytest("-ra")
    said = done.stdout.str()
    if module is HEALTHY:
        assert done.ret == 0
        return
    assert done.ret == 1
    assert re.search(r"step-02-40\.0degC.*step 2, 40\.0 degC: fail, reported 99\.0", said)
    assert "step-01-open" not in said.split("short test summary")[1]


def test_each_step_is_a_case_named_after_its_temperature(project: pytest.Pytester) -> None:
    project.makepyfile(my_module=BROKEN_WHEN_WARM, test_it=STEPS)
    listed = project.runpytest("--collect-only", "-q")
    listed.stdout.fnmatch_lines(
        [
            "test_it.py::test_each?step-01-open?",
            "test_it.py::test_each?step-02-40.0degC?",
            "test_it.py::test_each?step-03-short?",
        ]
    )
    done = project.runpytest("-ra")
    done.assert_outcomes(passed=2, failed=1)
    done.stdout.fnmatch_lines(
        "FAILED test_it.py::test_each?step-02-40.0degC? - *step 2, 40.0 degC: fail, reported 99.0*"
    )


def test_the_plan_is_run_once_for_all_its_cases_and_only_when_one_is_asked_for(
    project: pytest.Pytester,
) -> None:
    counting = f"""
import rungwise
runs = []

def report(ohms, celsius):
    if ohms > 1e6 and (not runs or runs[-1] != "open"):
        runs.append("open")
    elif ohms < 1e6:
        runs.append("more")
    return celsius

@rungwise.steps({str(PLAN)!r}, readback=report)
def test_each(rungwise_step):
    pass

def test_runs():
    assert runs.count("open") == 1
"""
    project.makepyfile(test_it=counting)
    project.runpytest().assert_outcomes(passed=4)
    project.runpytest("-k", "test_runs").assert_outcomes(failed=1, deselected=3)


def test_paths_are_below_the_root_folder(
    project: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    (project.path / "plans").symlink_to(ROOT / "sweeps")
    (project.path / "tests").mkdir()
    (project.path / "tests/test_it.py").write_text(
        "import rungwise\n"
        "def test_run(rungwise_run):\n"
        "    result = rungwise_run('plans/coolant-check.toml', 'plans/benches/simulated.toml',"
        " record='r.jsonl')\n"
        "    assert str(result.record).endswith('r.jsonl')\n"
        "@rungwise.steps('plans/coolant-check.toml', 'plans/benches/simulated.toml')\n"
        "def test_each(rungwise_step):\n"
        "    assert rungwise_step.verdict == 'pass'\n"
    )
    monkeypatch.chdir(project.path / "tests")
    assert project.runpytest_inprocess().ret == 0
    assert (project.path / "r.jsonl").exists()


def test_a_fault_in_the_middle_fails_the_cases_that_were_not_run(
    project: pytest.Pytester,
) -> None:
    quiet = "def report(ohms, celsius):\n    raise OSError('unplugged')\n"
    project.makepyfile(my_module=quiet, test_it=STEPS)
    done = project.runpytest("-ra")
    done.assert_outcomes(errors=3)
    done.stdout.fnmatch_lines("ERROR test_it.py::test_each?step-02-40.0degC? - OSError: unplugged")


@pytest.mark.parametrize(
    ("source", "said"),
    [
        (
            "def test_it(rungwise_step): pass",
            "*test_it: @rungwise.steps(plan) and the argument rungwise_step belong together*",
        ),
        (
            f"import rungwise\n@rungwise.steps({str(PLAN)!r})\ndef test_it(): pass",
            "*belong together*",
        ),
        (
            "import rungwise\n@rungwise.steps('no-such.toml')\ndef test_it(rungwise_step): pass",
            "*no-such.toml: there is no such file*",
        ),
    ],
)
def test_what_cannot_be_collected_says_why_in_a_line(
    project: pytest.Pytester, source: str, said: str
) -> None:
    project.makepyfile(test_it=source)
    done = project.runpytest()
    assert done.ret == 2
    done.stdout.fnmatch_lines(said)
    assert "Traceback" not in done.stdout.str()
    assert "pytest_plugin.py" not in done.stdout.str()


@pytest.mark.parametrize(
    ("call", "said"),
    [
        ("rungwise_run('no-such.toml')", "*InputError: *no-such.toml: there is no such file"),
        ("rungwise_run(5)", "*InputError: plan: must be a path, not 5"),
        (
            f"rungwise_run({str(PLAN)!r}, readback=lambda ohms, celsius: 'warm')",
            "*TypeError: the readback function returned 'warm', not degC or None*",
        ),
    ],
)
def test_what_is_refused_shows_the_line_of_the_test_and_none_of_ours(
    project: pytest.Pytester, call: str, said: str
) -> None:
    project.makepyfile(test_it=f"def test_it(rungwise_run):\n    {call}\n")
    done = project.runpytest()
    done.assert_outcomes(failed=1)
    done.stdout.fnmatch_lines(said)
    shown = done.stdout.str()
    assert call in shown
    assert "During handling" not in shown
    for line in shown.splitlines():
        assert not re.match(r"\S*(controller|rungwise)/\S+\.py:\d+", line), line


@pytest.mark.soak
@pytest.mark.skipif(find_spec("xdist") is None, reason="pytest-xdist is not installed")
def test_with_workers_the_same_is_shown(project: pytest.Pytester) -> None:
    project.makepyfile(
        test_it=STEPS, test_refused="def test_it(rungwise_run):\n    rungwise_run(5)"
    )
    project.makepyfile(my_module=BROKEN_WHEN_WARM)
    done = project.runpytest("-n2")
    done.assert_outcomes(passed=2, failed=2)
    done.stdout.fnmatch_lines("*InputError: plan: must be a path, not 5")
    done.stdout.fnmatch_lines("*step 2, 40.0 degC: fail*")
    assert "_given.py" not in done.stdout.str()


def test_what_a_module_raises_is_shown_where_it_did(project: pytest.Pytester) -> None:
    gone = "def report(ohms, celsius):\n    raise OSError('unplugged')\n"
    project.makepyfile(my_module=gone, test_it=RUN)
    shown = project.runpytest().stdout.str()
    assert "my_module.py:2: OSError" in shown
    assert "_verbs.py" not in shown
    assert "called.py" not in shown


def test_a_run_that_broke_off_while_parking_fails_its_last_case(
    project: pytest.Pytester, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every step passed, and nobody knows where the relays are."""
    run = rungwise.run

    def broken_off(*arguments: Any, **named: Any) -> rungwise.Result:
        sentence = "no answer; the relay state is unknown"
        return replace(run(*arguments, **named), ended=rungwise.Ending.FAULT, sentence=sentence)

    monkeypatch.setattr(rungwise, "run", broken_off)
    project.makepyfile(my_module=HEALTHY, test_it=STEPS)
    done = project.runpytest()
    done.assert_outcomes(passed=2, errors=1)
    done.stdout.fnmatch_lines("*no answer; the relay state is unknown*")


def test_the_marker_is_listed(project: pytest.Pytester) -> None:
    project.runpytest("--markers").stdout.fnmatch_lines("@pytest.mark.rungwise_steps(*")


def test_pytest_alone_loads_nothing_of_it_and_leaves_other_controllers_be(
    project: pytest.Pytester,
) -> None:
    project.makepyfile(
        **{"controller/__init__": "mine = True"},
        test_it="""
import sys

def test_nothing_is_loaded():
    assert "rungwise.pytest_plugin" in sys.modules
    assert not {"controller", "firmware_protocol", "numpy", "textual"} & set(sys.modules)

def test_the_name_is_still_free():
    import controller
    assert controller.mine
""",
    )
    done = project.runpytest_subprocess("-p", "no:hypothesispytest")
    done.assert_outcomes(passed=2)


def test_what_the_page_on_scripts_shows(project: pytest.Pytester) -> None:
    page = (ROOT / "controller/docs/scripts.md").read_text("utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    (project.path / "sweeps").symlink_to(ROOT / "sweeps")
    # The demo sensor's own equation turned round (tests/reference/ntc_type1_ratio.csv, line 1),
    # and then 150 ohm of corrosion before it.
    project.makepyfile(
        my_module="""
from math import log

def report(ohms):
    q = log((ohms + 150) / 2800)
    inverse = 3.3539438e-3 + 2.5646095e-4 * q + 2.5158166e-6 * q * q + 1.0503069e-7 * q**3
    return round(1 / inverse - 273.15)
""",
        test_my_module=blocks[0],
    )
    done = project.runpytest("-ra", "-k", "test_each")
    said = done.stdout.str()
    [line] = re.findall(r"^FAILED .*", page, re.MULTILINE)
    assert line.removesuffix("...") in said
    assert "[step-01--30.0degC]" not in said  # passes: 150 ohm is nothing there
