"""What every test needs: nothing of the user's own data is read or written."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

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


@pytest.fixture(scope="session")
def reference_rows() -> Callable[[str], list[dict[str, str]]]:
    """Return a function: name of a reference table -> its rows as dictionaries."""

    def rows(name: str) -> list[dict[str, str]]:
        text = (Path(__file__).parent / "reference" / name).read_text(encoding="utf-8")
        return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))

    return rows
