"""The screens, held still, look as they did. `pytest --snapshot-update` accepts a new look."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).parent
SIZES = {"80x24": (80, 24), "140x45": (140, 45)}


@pytest.fixture(scope="module")
def stills() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stills", HERE / "stills.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["stills"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("still", "size", "theme"),
    [
        ("asking", "80x24", "rungwise-dark"),
        ("asking", "140x45", "rungwise-light"),
        ("sweeping", "140x45", "rungwise-dark"),
        ("sweeping", "80x24", "rungwise-16"),
        ("choose", "80x24", "rungwise-dark"),
        ("ready", "80x24", "rungwise-light"),
        ("cautions", "80x24", "rungwise-dark"),
        ("swept", "140x45", "rungwise-dark"),
        ("checked", "80x24", "rungwise-light"),
        ("by-hand", "80x24", "rungwise-dark"),
        ("record", "140x45", "rungwise-dark"),
        ("comparing", "80x24", "rungwise-light"),
        *(
            pytest.param(*again, marks=pytest.mark.soak)
            for again in (
                ("asking", "80x24", "rungwise-light"),
                ("asking", "140x45", "rungwise-dark"),
                ("sweeping", "80x24", "rungwise-dark"),
                ("sweeping", "80x24", "rungwise-light"),
                ("sweeping", "140x45", "rungwise-light"),
                ("cautions", "140x45", "rungwise-light"),
                ("by-hand", "140x45", "rungwise-light"),
            )
        ),
    ],
)
def test_still(
    snap_compare,  # type: ignore[no-untyped-def]
    stills: ModuleType,
    monkeypatch: pytest.MonkeyPatch,
    still: str,
    size: str,
    theme: str,
) -> None:
    monkeypatch.chdir(HERE)
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.delenv("NO_COLOR", raising=False)
    app = stills.build_app(theme)
    assert snap_compare(app, terminal_size=SIZES[size], run_before=stills.STILLS[still])
