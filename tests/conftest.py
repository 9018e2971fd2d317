"""What every test needs: nothing of the user's own data is touched, long runs only when wished."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

REFERENCE = Path(__file__).with_name("reference")

# How fast the machine is says nothing about the code, so no example has a deadline. An ordinary
# run tries the same examples on every machine; a soak tries more of them, and new ones.
_ANY_SPEED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ordinary", _ANY_SPEED, derandomize=True)
settings.register_profile("soak", _ANY_SPEED, max_examples=500, print_blob=True)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--soak", action="store_true", help="run the long tests as well")


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("soak" if config.getoption("--soak") else "ordinary")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--soak"):
        return
    for item in items:
        if item.get_closest_marker("soak"):
            item.add_marker(pytest.mark.skip(reason="long: run with --soak"))


@pytest.fixture(scope="session")
def many(pytestconfig: pytest.Config) -> Callable[[int, int], int]:
    """Return of two numbers the first in an ordinary run, the second in a soak."""
    return lambda ordinary, soak: soak if pytestconfig.getoption("--soak") else ordinary


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
