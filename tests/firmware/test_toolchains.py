"""A missing toolchain: a reason on a user's machine, a failure in CI."""

from __future__ import annotations

from collections.abc import Callable

import pytest

MISSING = "no-such-compiler-anywhere"


def test_missing_tool_skips_with_its_name(
    require: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match=MISSING):
        require(MISSING)


def test_missing_tool_fails_in_ci(
    require: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", "1")
    with pytest.raises(pytest.fail.Exception, match=MISSING):
        require(MISSING)


def test_tool_that_is_there_is_no_obstacle(
    require: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", "1")
    require("sh")
