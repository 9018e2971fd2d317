"""A developer's way: records opened, compared and replayed; text of files and devices."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace
from pathlib import Path

from textual.widgets import OptionList

from controller.tui.dialogs import Ask, PickRecord
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.compare import CompareScreen
from controller.tui.screens.ready import ReadyScreen
from controller.tui.screens.record import RecordScreen
from controller.tui.screens.run import RunScreen
from controller.tui.view import Phase
from controller.tui.widgets.lines import Sentences
from tests.tui.paths import WORKSHOP, lines_of, shown


def test_the_developers_records(helper, sweep) -> None:  # type: ignore[no-untyped-def]
    from controller.tui.preparing import begin_run

    engine = begin_run(sweep, pace="at once", changed=lambda: None)
    engine.start()
    assert engine.join(60)
    twin = sweep.record.with_name("twin.jsonl")
    twin.write_bytes(sweep.record.read_bytes())

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            await helper.until(
                pilot, lambda: app.screen.query_one("#records", OptionList).option_count == 2
            )
            app.screen.query_one("#records", OptionList).focus()
            await pilot.press("enter")
            await helper.at(pilot, RecordScreen)
            screen = app.screen
            last = screen.position
            await pilot.press("home")
            assert screen.position == 0
            await pilot.press("right", "right")
            await helper.until(pilot, lambda: "2 of 21 steps" in shown(screen))
            await pilot.press("left")
            await helper.until(pilot, lambda: "1 of 21 steps" in shown(screen))
            here = screen.position
            await pilot.press("full_stop")
            assert screen.position == here + 1
            for _ in range(6):
                await pilot.press("plus")
            assert "speed ×1000" in shown(screen, "#headline")
            await pilot.press("space")
            await helper.until(pilot, lambda: screen.position == last)
            assert not screen.playing
            await pilot.press("d")
            await helper.until(pilot, lambda: "series" in shown(screen, "#ending"))
            await pilot.press("g")
            await helper.at(pilot, CompareScreen)
            await helper.until(pilot, lambda: "no difference" in shown(app.screen, "#headline"))
            await pilot.press("escape")
            await pilot.press("c")
            await helper.at(pilot, PickRecord)
            assert re.search(
                r"(✓ pass|✗ FAIL).*Tern coolant sweep", "\n".join(lines_of(app, "records"))
            )
            await pilot.press("enter")
            await helper.at(pilot, CompareScreen)
            await helper.until(pilot, lambda: "no difference" in shown(app.screen, "#headline"))
            await pilot.press("d", "escape", "escape")
            await helper.at(pilot, ChooseScreen)
            assert app.mistakes == []

    helper.run(body())


def test_device_and_file_text_is_shown_as_it_is(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    from controller.tui.preparing import begin_run, ready

    hostile = "[/x][red]\x1b[31m\u202e[link=foo]bar[/]\n\x00"
    plan = helper.folder / "plans/check.toml"
    prepared = ready(plan, None, helper.runs)
    prepared = replace(
        prepared,
        prepared=replace(
            prepared.prepared,
            resolved=replace(prepared.prepared.resolved, name=hostile, warnings=(hostile,)),
            inputs=replace(
                prepared.prepared.inputs, bench=replace(prepared.prepared.bench, name=hostile)
            ),
        ),
    )

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            app.push_screen(ReadyScreen(prepared))
            await pilot.pause(0.2)
            assert "[/x][red]" in shown(app.screen)
            engine = begin_run(prepared, pace="real", changed=app.engine_changed, clock=app.clock)
            app.record_path = prepared.record
            app.begin(engine)
            app.push_screen(RunScreen(prepared, engine))
            await helper.until(pilot, lambda: app.picture.view.phase is Phase.ASKING)
            app.say(hostile)
            await pilot.pause(0.2)
            assert "[/x][red]" in shown(app.screen, "#headline")
            for line in app.screen.query(Sentences):
                assert "\x1b" not in str(line.content)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            assert app.mistakes == []

    helper.run(body())


HOSTILE = "\x1b]0;taken\x07\x1b[2J[x]\u202eb\x9b31m"


def acting(text: str) -> set[str]:
    """Return the characters of a text that a terminal would act on."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs")}


def test_names_in_files_and_of_files_act_on_no_terminal(helper, capsys, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    from controller.cli.main import main
    from controller.tui.screens.compare import CompareScreen, compare_records

    root = WORKSHOP.parents[2]
    recorded = (root / "sweeps/recorded/coolant-corroded.jsonl").read_bytes()
    helper.runs.mkdir()
    bad = helper.runs / f"{HOSTILE}.jsonl"
    bad.write_bytes(recorded)
    helper.folder = tmp_path / "w"
    helper.folder.mkdir()
    plan = helper.folder / f"p{HOSTILE}.toml"
    plan.write_text('format = "rungwise-plan/1"\nkind = "check"\nnote = "[b]\\u001b[31m"\n')

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(140, 45)) as pilot:

            def drawn() -> str:
                strips = app.screen._compositor.render_strips()
                return "\n".join("".join(piece.text for piece in strip) for strip in strips)

            await helper.until(pilot, lambda: len(lines_of(app, "records")) == 1)
            await pilot.pause(0.3)
            assert "taken" in drawn()
            assert acting(drawn()) == set()
            app.open_record(bad)
            await helper.at(pilot, RecordScreen)
            await pilot.pause()
            assert acting(drawn()) == set()
            app.push_screen(CompareScreen(compare_records(bad, bad)))
            await helper.until(pilot, lambda: "Two runs" in drawn())
            assert acting(drawn()) == set()
            bad.write_bytes(b"{}")
            app.open_record(bad)
            await helper.at(pilot, Ask)
            await pilot.pause()
            assert acting(drawn()) == set()
            bad.write_bytes(recorded)

    helper.run(body())
    table = tmp_path / f"t{HOSTILE}.csv"
    table.write_text(f"celsius,reported\n{HOSTILE},1\n")
    for arguments in (
        ["report", str(bad)],
        ["compare", str(bad), str(bad)],
        ["diagnose", str(bad)],
        ["diagnose", str(table), "--plan", str(plan)],
        ["replay", str(table)],
        ["plan", str(plan)],
        ["curve", str(plan)],
        ["ui", HOSTILE],
    ):
        main(arguments)
        told = capsys.readouterr()
        assert told.out + told.err
        assert acting(told.out + told.err) == set(), arguments
