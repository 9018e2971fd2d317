"""Prints, as constraints for pip, the lowest versions that `pyproject.toml` allows."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

PROJECT = tomllib.loads(Path("pyproject.toml").read_text("utf-8"))["project"]

wanted = [*PROJECT["dependencies"]]
for extra in PROJECT.get("optional-dependencies", {}).values():
    wanted += [one for one in extra if not one.startswith("rungwise[")]
for one in wanted:
    found = re.match(r"([\w.-]+)(?:\[[\w,.-]+\])?>=([\w.]+)", one)
    if found is None:
        raise SystemExit(f"pyproject.toml states no lowest version: {one}")
    print(f"{found[1]}=={found[2]}")
