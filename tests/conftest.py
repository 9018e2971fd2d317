"""What every test needs: nothing of the user's own data is touched, long runs only when wished."""

from __future__ import annotations

import csv
import gc
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

# Workers share the cores already: threads of the linear algebra would only wait for each other.
# Has to be said before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Where nothing compiled may lie beside the sources, every worker and every program that a test
# starts would compile the product again: a third of their time. It lies apart instead.
if sys.dont_write_bytecode:
    compiled = Path(__file__).resolve().parents[1] / ".pytest_cache" / "bytecode"
    sys.dont_write_bytecode, sys.pycache_prefix = False, str(compiled)
    os.environ["PYTHONPYCACHEPREFIX"] = str(compiled)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import filelock
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


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Let a worker more than there are cores work: tests at ports and in real time mostly wait."""
    return (os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("night" if config.getoption("--night") else "ordinary")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    night = config.getoption("--night")
    wished = {"soak": night or config.getoption("--soak"), "night": night}
    for item in items:
        for marker, reason in LONG.items():
            if item.get_closest_marker(marker) and not wished[marker]:
                item.add_marker(pytest.mark.skip(reason=reason))


def pytest_collection_finish() -> None:
    """Look for garbage seldom: that took a tenth of the run.

    Not `gc.freeze()`: Hypothesis 6.100 then calls tests of floats flaky.
    """
    gc.set_threshold(20_000, 20, 100)


@pytest.fixture(scope="session")
def many(pytestconfig: pytest.Config) -> Callable[..., int]:
    """Return of two numbers the first in an ordinary run or a soak, the second in a night.

    A third, `soak`, is for a soak.
    """

    def chosen(ordinary: int, night: int, *, soak: int | None = None) -> int:
        if pytestconfig.getoption("--night"):
            return night
        return ordinary if soak is None or not pytestconfig.getoption("--soak") else soak

    return chosen


@pytest.fixture(scope="session")
def common_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder that all workers of this run share, for what is dear to make."""
    own = tmp_path_factory.getbasetemp()
    folder = (own.parent if "PYTEST_XDIST_WORKER" in os.environ else own) / "common"
    folder.mkdir(exist_ok=True)
    return folder


@pytest.fixture(scope="session")
def one_at_a_time(common_folder: Path) -> Callable[[str], AbstractContextManager[object]]:
    """Return what lets one worker at a time make the thing of a name; the others wait for it."""
    return lambda name: filelock.FileLock(common_folder / f"{name}.lock")


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
