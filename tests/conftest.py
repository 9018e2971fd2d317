"""What every test needs: nothing of the user's own data is touched, long runs only when wished."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

REFERENCE = Path(__file__).with_name("reference")

# How fast the machine is says nothing about the code, so no example has a deadline. Every machine
# tries the same examples; a night tries more of them, and new ones.
_ANY_SPEED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ordinary", _ANY_SPEED, derandomize=True)
settings.register_profile("night", _ANY_SPEED, max_examples=500, print_blob=True)

LONG = {"soak": "long: run with --soak", "night": "very long: run with --night"}


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--soak", action="store_true", help="run the long tests as well, as CI does")
    parser.addoption("--night", action="store_true", help="run everything, with many more examples")


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("night" if config.getoption("--night") else "ordinary")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    night = config.getoption("--night")
    wished = {"soak": night or config.getoption("--soak"), "night": night}
    for item in items:
        for marker, reason in LONG.items():
            if item.get_closest_marker(marker) and not wished[marker]:
                item.add_marker(pytest.mark.skip(reason=reason))


@pytest.fixture(scope="session")
def many(pytestconfig: pytest.Config) -> Callable[[int, int], int]:
    """Return of two numbers the first in an ordinary run or a soak, the second in a night."""
    return lambda ordinary, night: night if pytestconfig.getoption("--night") else ordinary


@pytest.fixture(scope="session")
def reference_rows() -> Callable[[str], list[dict[str, str]]]:
    """Read a file of outside check values; its first line is their source."""

    def read(name: str) -> list[dict[str, str]]:
        lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
        assert lines[0].startswith("# ")
        rows = list(csv.DictReader(lines[1:]))
        assert rows
        return rows

    return read


pytest_plugins = ["pytester"]


@pytest.fixture(scope="session", autouse=True)
def own_data_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let operations be counted in a folder of the tests' own, in processes they start as well."""
    before = os.environ.get("RUNGWISE_DATA")
    os.environ["RUNGWISE_DATA"] = str(tmp_path_factory.mktemp("data"))
    yield
    if before is None:
        del os.environ["RUNGWISE_DATA"]
    else:
        os.environ["RUNGWISE_DATA"] = before
