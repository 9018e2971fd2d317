"""A record has the same digits whatever processor it was made on."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"
KERNELS = (None, "Prescott", "Haswell")
"""The linear algebra of an old and of a newer processor; None is what this one chooses."""


def closing_hash(kernel: str | None, record: Path) -> str:
    kept = {name: value for name, value in os.environ.items() if name != "OPENBLAS_CORETYPE"}
    chosen = {} if kernel is None else {"OPENBLAS_CORETYPE": kernel}
    plan, bench = SWEEPS / "coolant-sweep.toml", SWEEPS / "benches" / "simulated-corroded.toml"
    command = [sys.executable, "-m", "controller.cli", "sweep", plan]
    ended = subprocess.run(
        [*command, "--bench", bench, "--record", record],
        capture_output=True,
        text=True,
        env=kept | chosen,
        check=False,
    )
    [line] = [line for line in ended.stdout.splitlines() if line.startswith("Closing hash: ")]
    return line


@pytest.mark.soak
def test_another_kernel_of_linear_algebra_changes_no_digit(tmp_path: Path) -> None:
    hashes = {kernel: closing_hash(kernel, tmp_path / f"{kernel}.jsonl") for kernel in KERNELS}
    assert len(set(hashes.values())) == 1, hashes
