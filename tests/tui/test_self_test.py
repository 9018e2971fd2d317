"""The self-test of a ladder on the screen: offered before a run, kept, and a failed one refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.bench.self_tests import SelfTested, keep_self_test, self_test_file
from controller.tui.dialogs import Ask
from controller.tui.preparing import ReadyRun, ready
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.run import RunScreen
from controller.tui.screens.self_test import SelfTestScreen

SWEEPS = Path(__file__).parents[2] / "sweeps"
SERIAL = SWEEPS / "benches" / "serial-example.toml"
PLAN = SWEEPS / "coolant-sweep.toml"


@pytest.fixture
def metered(tmp_path: Path, runs: Path):  # type: ignore[no-untyped-def]
    """Make a run ready on the simulated bench with a meter, and something wrong in its ladder."""

    def make(fault: str) -> ReadyRun:
        text = (SWEEPS / "benches" / "simulated-metered.toml").read_text(encoding="utf-8")
        path = tmp_path / "metered.toml"
        path.write_text(text.replace('"../', f'"{SWEEPS}/') + fault, encoding="utf-8")
        return ready(PLAN, path, runs)

    return make


def told(screen: object, selector: str) -> str:
    return str(screen.query_one(selector).content)  # type: ignore[attr-defined]


async def outcome_of(helper, pilot, run: ReadyRun) -> str:  # type: ignore[no-untyped-def]
    """Show what is ready, press t, and return what the test says at its end."""
    await pilot.app.push_screen(ReadyScreen(run))
    await pilot.press("t")
    await helper.at(pilot, SelfTestScreen)
    screen = pilot.app.screen
    await helper.until(pilot, lambda: "Esc goes back" in told(screen, "#watched"))
    said = told(screen, "#watched")
    await pilot.press("escape")
    await helper.at(pilot, ReadyScreen)
    return said


def test_a_sound_ladder_passes_and_the_record_of_the_run_says_so(helper, metered) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast(1000))
        async with app.run_test(size=(80, 24)) as pilot:
            said = await outcome_of(helper, pilot, metered(""))
            assert "states measured are within their tolerance" in said
            assert "self-test before this run, pass" in told(app.screen, "#facts")
            await pilot.press("s")
            await helper.at(pilot, RunScreen)
            await helper.until(pilot, lambda: app.picture.view.results[:1] != (None,))
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
        lines = [json.loads(line) for line in app.record_path.read_text().splitlines()]
        [note] = [line["text"] for line in lines if line.get("kind") == "self-test"]
        assert "self-test before this run, pass" in note
        assert "closing hash" in note

    helper.run(body())


def test_a_ladder_that_fails_its_self_test_is_not_run(helper, metered) -> None:  # type: ignore[no-untyped-def]
    fault = '\n[[ladder_fault]]\nkind = "stuck-relay"\nrelay = 9\n'

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            said = await outcome_of(helper, pilot, metered(fault))
            assert "relay 9 stays at rest" in said
            assert "The run is refused" in said
            await pilot.press("s")
            await helper.at(pilot, Ask)
            assert "relay 9 stays at rest" in told(app.screen, "#ask-reasons")
            assert "t on this page tests it again" in told(app.screen, "#ask-reasons")
            await pilot.press("enter")
            await helper.at(pilot, ReadyScreen)
            assert not app.driving

    helper.run(body())


def test_a_real_ladder_whose_last_self_test_failed_is_refused(  # type: ignore[no-untyped-def]
    helper, runs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on the command line, before the port is looked for and before any caution."""
    monkeypatch.setenv("RUNGWISE_DATA", str(tmp_path / "data"))
    bad = SelfTested(utc="2026-03-01T10:00:00+00:00", sound=False, sentence="relay 3 stays.")
    kept = self_test_file({"RUNGWISE_DATA": str(tmp_path / "data")})
    run = ready(PLAN, SERIAL, runs)
    keep_self_test(kept, load_bench(SERIAL).ladder.name, bad)

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await app.push_screen(ReadyScreen(run))
            await pilot.press("s")
            await helper.at(pilot, Ask)
            said = told(app.screen, "#ask-reasons")
            assert "relay 3 stays." in said
            assert "--despite-self-test" in said
            assert "Nothing was driven." in said
            assert app.engine is None

    helper.run(body())
