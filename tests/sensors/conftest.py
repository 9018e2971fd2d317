"""Published tables and sensor files for the sensor tests."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.sensors.curve import Sensor
from controller.sensors.files import load_sensor

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = ROOT / "tests" / "reference"
SENSORS = ROOT / "sweeps" / "sensors"

Rows = list[dict[str, str]]


@pytest.fixture(scope="session")
def reference() -> Callable[[str], Rows]:
    """Return the rows of a published table; its first line is the source and tolerance."""

    def read(name: str) -> Rows:
        lines = (REFERENCE / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        assert lines[0].startswith("# ")
        rows = list(csv.DictReader(lines[1:]))
        assert rows
        return rows

    return read


@pytest.fixture(scope="session")
def demo() -> Callable[[str], Sensor]:
    """Load one of the demo sensors by the stem of its file."""
    return lambda stem: load_sensor(SENSORS / f"{stem}.toml")


@pytest.fixture
def sensor_file(tmp_path: Path) -> Callable[[str], Path]:
    """Write the text of a sensor file and return its path."""

    def write(text: str, name: str = "sensor.toml") -> Path:
        path = tmp_path / name
        path.write_text('format = "rungwise-sensor/1"\n' + text, encoding="utf-8")
        return path

    return write
