"""The terminal UI is reached with its options; nothing heavy is loaded to refuse it."""

from __future__ import annotations

import sys

import pytest

from controller.cli.main import main


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, bool, str | None]]:
    """Pretend to be on a terminal; return what screens would have been opened."""
    app = pytest.importorskip("controller.tui.app")
    seen: list[tuple[str, bool, str | None]] = []

    class Screen:
        def __init__(
            self,
            folder: object,
            *,
            ascii_only: bool,
            theme: str | None,
            scale: object,
            memory: object,
        ) -> None:
            assert scale is None
            assert memory is not None
            seen.append((str(folder), ascii_only, theme))

    monkeypatch.setattr(app, "RungwiseApp", Screen)
    monkeypatch.setattr(app, "run", lambda _app: 0)
    monkeypatch.setattr(app, "needs_ascii", lambda _environ: False)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    return seen


@pytest.mark.parametrize(
    ("words", "folder", "ascii_only"),
    [
        ([], "sweeps", False),
        (["ui"], "sweeps", False),
        (["--ascii"], "sweeps", True),
        (["ui", "harbour", "--ascii"], "harbour", True),
        (["--light", "harbour"], "harbour", False),
        (["ui", "--16-colours"], "sweeps", False),
    ],
)
def test_options_reach_the_screen(
    opened: list[tuple[str, bool, str | None]], words: list[str], folder: str, ascii_only: bool
) -> None:
    assert main(words) == 0
    assert [(seen[0], seen[1]) for seen in opened] == [(folder, ascii_only)]
    themed = any(word in ("--light", "--16-colours") for word in words)
    assert (opened[0][2] is not None) == themed


def test_two_looks_at_once_are_refused(
    opened: list[tuple[str, bool, str | None]], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["ui", "--light", "--dark"]) == 2
    assert opened == []
    assert "--dark" in capsys.readouterr().err


def test_without_a_terminal_it_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys.stdin, "isatty", lambda: False, raising=False)
    assert main(["ui"]) == 2
    assert "terminal" in capsys.readouterr().err
