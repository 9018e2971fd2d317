"""The checks find the faults of a set: a sample in every run, all of it with --soak.

The table: ``python tests/firmware_protocol/mutations``.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance import CHECKS, Result, run_checks
from firmware_protocol.device import DeviceConfig

FOLDER = Path(__file__).with_name("mutations")
DEVICE_SAMPLE = 4
"""Every fourth fault of the device is looked for in an ordinary run."""
CORE_SAMPLE = 9
SWAP_SAMPLE = slice(11, None, 33)
"""None of these makes the core hang, which takes long to see."""


@pytest.fixture(scope="module")
def mutations() -> Iterator[dict[str, ModuleType]]:
    """The modules of the folder, which import one another by their plain names."""
    names = ["fault", "virtual_port", "suite", "core_board", "swaps"]
    sys.path.insert(0, str(FOLDER))
    try:
        found = {name: importlib.import_module(name) for name in names}
        spec = importlib.util.spec_from_file_location("mutation_table", FOLDER / "__main__.py")
        assert spec is not None
        assert spec.loader is not None
        found["table"] = importlib.util.module_from_spec(spec)
        sys.modules["mutation_table"] = found["table"]  # dataclasses look their module up
        spec.loader.exec_module(found["table"])
        yield found
    finally:
        sys.path.remove(str(FOLDER))


@pytest.fixture(scope="module")
def gcc() -> None:
    if shutil.which("gcc") is None:
        if os.environ.get("CI"):
            pytest.fail("not installed: gcc; in CI every toolchain has to be there", pytrace=False)
        pytest.skip("not installed: gcc")


@pytest.mark.parametrize(
    "line",
    [
        {},
        {"adapter_ms": 16, "clock_error": 0.005},
        {"adapter_ms": 4, "clock_error": -0.005, "lost": 0.0003},
        {"adapter_ms": 16, "clock_error": 0.009, "lost": 0.0003, "seed": 5},
    ],
    ids=["a good line", "a slow adapter", "lost bytes", "all of it"],
)
@pytest.mark.parametrize("board", ["BOARD", "BARE_BOARD"])
def test_a_right_device_passes_at_a_port(
    mutations: dict[str, Any], board: str, line: dict[str, float]
) -> None:
    """A check that a right board fails on a bad line would be worth nothing on a good one."""
    config = DeviceConfig(**getattr(mutations["suite"], board))
    forbidden = mutations["suite"].FORBIDDEN if board == "BOARD" else None
    port = mutations["virtual_port"].VirtualPort
    outcomes = list(run_checks(lambda: port(config, forbidden_state=forbidden, **line)))
    assert [outcome for outcome in outcomes if outcome.result is Result.FAILED] == []
    assert ("lost" in line) == (sum(outcome.repeats for outcome in outcomes) > 0)
    passed = [outcome for outcome in outcomes if outcome.result is Result.PASSED]
    assert len(passed) >= len(CHECKS) - 14


def test_every_fault_has_a_name_of_its_own(mutations: dict[str, Any]) -> None:
    for faults in (mutations["suite"].device_faults(), mutations["core_board"].core_faults()):
        names = [fault.name for fault in faults]
        assert len(set(names)) == len(names)
        assert len(names) >= 43
        for fault in faults:
            mutations["suite"].named(fault.found_by)
    at_a_port = [fault for fault in mutations["suite"].device_faults() if not fault.full_only]
    assert len(at_a_port) >= 80


def _found_as_named(mutations: dict[str, Any], faults: list[Any]) -> None:
    suite = mutations["suite"]
    missed = [
        fault.name
        for fault in faults
        if not suite.judge_device(fault, [suite.named(fault.found_by)]).found
    ]
    assert missed == []


def test_a_sample_of_device_faults_is_found_by_the_check_named(mutations: dict[str, Any]) -> None:
    _found_as_named(mutations, mutations["suite"].device_faults()[::DEVICE_SAMPLE])


@pytest.mark.night
def test_every_device_fault_is_found_by_the_check_named(mutations: dict[str, Any]) -> None:
    _found_as_named(mutations, mutations["suite"].device_faults())


def test_a_fault_that_does_not_fit_the_source_is_no_fault(mutations: dict[str, Any]) -> None:
    fault = mutations["suite"].device_faults()[0]
    with pytest.raises(ValueError, match="stands 0 times"):
        fault.apply("device.py", "something else")


@pytest.mark.toolchain
@pytest.mark.usefixtures("gcc")
def test_a_sample_of_core_faults_is_found_by_the_check_named(
    mutations: dict[str, Any], tmp_path: Path
) -> None:
    core = mutations["core_board"]
    builder = core.CoreBuilder(tmp_path)
    for fault in core.core_faults()[::CORE_SAMPLE]:
        verdict = builder.judge_fault(fault, [mutations["suite"].named(fault.found_by)])
        assert verdict.found, fault.name


@pytest.mark.toolchain
def test_every_core_fault_fits_the_source(mutations: dict[str, Any]) -> None:
    core = mutations["core_board"]
    for fault in core.core_faults():
        for edit in fault.edits:
            source = (core.CORE / edit.file).read_text("utf-8")
            assert fault.apply(edit.file, source) != source, fault.name


@pytest.mark.toolchain
@pytest.mark.usefixtures("gcc")
def test_a_sample_of_swapped_operators_is_found(mutations: dict[str, Any], tmp_path: Path) -> None:
    table = mutations["table"]
    (tally,) = table.of_swaps(tmp_path, list(table.all_swaps())[SWAP_SAMPLE])
    assert [verdict.name for verdict in tally.verdicts if not verdict.found] == []
    assert len(tally.verdicts) >= 5


def test_what_is_said_to_be_no_fault_is_a_swap_with_a_reason(mutations: dict[str, Any]) -> None:
    table = mutations["table"]
    names = [swap.name for swap in table.all_swaps()]
    assert len(set(names)) == len(names)
    assert set(table.equivalents()) <= set(names)


@pytest.mark.night
@pytest.mark.toolchain
@pytest.mark.usefixtures("gcc")
@pytest.mark.parametrize("which", ["device", "core", "swaps"])
def test_the_goals_are_met(mutations: dict[str, Any], tmp_path: Path, which: str) -> None:
    table = mutations["table"]
    sets = {
        "device": table.of_device,
        "core": lambda: table.of_core(tmp_path),
        "swaps": lambda: table.of_swaps(tmp_path),
    }
    tallies = sets[which]()
    missed = [v.name for tally in tallies for v in tally.verdicts if not v.found]
    assert all(tally.met for tally in tallies), f"{table.table(tallies)}\n{missed}"
