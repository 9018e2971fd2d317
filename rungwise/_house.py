# ruff: noqa: PTH100, PTH118, PTH120 - pathlib costs more than all else of the start-up
"""Makes sure that `controller` and `firmware_protocol` are those installed beside this package.

Both names are so common that a folder of either may stand earlier on somebody's path. So they are
loaded from the folder this package lies in, before anything asks the path for them; what is inside
them is found from there.
"""

from __future__ import annotations

import sys
from os import path

__all__ = ["claim"]

_NAMES = ("firmware_protocol", "controller")


def claim() -> None:
    """Load both packages; once is enough, again costs little.

    Raises ImportError when another package of one of these names is in this process already, or
    when one of ours is not where it was installed.
    """
    beside = path.dirname(path.dirname(path.abspath(__file__)))
    for name in _NAMES:
        if name in sys.modules:
            _require_ours(name, beside)
    # Light enough for `--help`: importlib.util would cost more than the rest of the start-up code.
    sys.path.insert(0, beside)
    try:
        for name in _NAMES:
            __import__(name)
            _require_ours(name, beside)
    finally:
        sys.path.remove(beside)


def _require_ours(name: str, beside: str) -> None:
    """Raise ImportError unless the package of this name that is loaded lies beside this one."""
    where = getattr(sys.modules[name], "__file__", None)
    ours = path.join(beside, name, "__init__.py")
    if where is None or path.realpath(where) != path.realpath(ours):
        raise ImportError(
            f"rungwise cannot be used in this process: the package {name!r} that is loaded here is"
            f" not its own but {where or 'a folder without __init__.py'}",
            name=name,
        )
