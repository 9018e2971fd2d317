"""The technician's way: hook-up, few keys, one reading at a time, what is handed over."""

from __future__ import annotations

import re
import shutil
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from textual.app import App, ComposeResult
from textual.pilot import Pilot
from textual.widgets import Input

from controller.records.reader import load_record
from controller.session.findings import diagnosis_lines
from controller.session.handover import keep_told, page_beside, told_beside
from controller.session.prepared import prepare
from controller.tui.app import RungwiseApp
from controller.tui.dialogs import Ask, ask_cautions
from controller.tui.hookup import hookup_parts
from controller.tui.preparing import ReadyRun, telling_plan
from controller.tui.scale import Scale
from controller.tui.screens.choose import ChooseScreen
from controller.tui.screens.ready import ReadyScreen, ready_parts
from controller.tui.screens.record import load
from controller.tui.screens.run import RunScreen
from controller.tui.screens.said import SaidForm
from controller.tui.sentences import sentence_on
from controller.tui.view import Phase
from controller.tui.widgets.answer import AnswerBox, ReadingInput

ROOT = Path(__file__).parents[2]
WORKSHOP = Path(__file__).with_name("workshop")
SPANS = re.compile(r"(?:up to|rms|offset) ([+-]?[\d.]+) deg")


def shown(screen: object, selector: str = "Sentences, PartsLine") -> str:
    return "\n".join(str(w.content) for w in screen.query(selector) if w.display)  # type: ignore[attr-defined]


@pytest.fixture
def harbour(tmp_path: Path, helper) -> Path:  # type: ignore[no-untyped-def]
    """A folder with the check of three points, its readings typed, and a sweep of its sensor."""
    folder = tmp_path / "harbour"
    shutil.copytree(WORKSHOP, folder)
    for path in folder.glob("*/*.toml"):
        text = path.read_text(encoding="utf-8").replace("../../../../sweeps", f"{ROOT}/sweeps")
        text = text.replace('["open", 20, 80, "short"]', '["open", 40, "short"]')
        path.write_text(text, encoding="utf-8")
    helper.folder = folder
    return folder


def test_the_three_point_check_takes_twelve_keys_at_most(helper, harbour: Path) -> None:  # type: ignore[no-untyped-def]
    """From the start to the final sentence, the choice of last time remembered."""
    pressed: list[str] = []
    memory = harbour.parent / "screen.json"

    async def body(*, counts: bool) -> None:
        app = helper.app(clock=helper.fast(), memory=memory)
        async with app.run_test(size=(80, 24)) as pilot:

            async def press(*keys: str) -> None:
                if counts:
                    pressed.extend(keys)
                await pilot.press(*keys)

            await helper.until(pilot, lambda: app.screen.query_one("#plans").option_count == 2)
            if not counts:  # what was done the last time
                app.prepare(harbour / "plans/check.toml", harbour / "benches/typed.toml")
                await helper.at(pilot, ReadyScreen)
                return
            await helper.until(pilot, lambda: app.screen.bench is not None)
            await press("enter")
            await helper.at(pilot, ReadyScreen)
            await press("s")
            await helper.at(pilot, Ask)
            await press("y")
            await helper.at(pilot, RunScreen)
            for step, reading in enumerate(("=", "40", "=")):
                await helper.open_question(pilot, step)
                await press(*reading, "enter")
            await helper.until(pilot, lambda: "PASS: All 3" in shown(app.screen, "#ending"))
            record = load_record(app.record_path)
            assert [line["reported_celsius"] for line in record.steps] == [-40.0, 40.0, 130.0]

    helper.run(body(counts=False))
    helper.run(body(counts=True))
    assert len(pressed) == 10  # 12 is the aim


def test_an_equals_sign_stands_for_a_fixed_value_only() -> None:
    """At a temperature it would put the expected value into the reader's mouth."""
    box = AnswerBox(Scale.CELSIUS)
    assert box._meant("=") == "="
    box._fixed_celsius = -40.0
    assert box._meant(" = ") == "-40C"
    assert box._meant("41") == "41"


def test_readings_in_one_burst_are_told_apart(helper, harbour: Path) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            app.prepare(harbour / "plans/check.toml", None)
            await helper.at(pilot, ReadyScreen)
            await pilot.press("s")
            await helper.at(pilot, Ask)
            await pilot.press("y")
            await helper.at(pilot, RunScreen)
            await helper.open_question(pilot, 0)
            field, box = app.screen.query_one(Input), app.screen.query_one(AnswerBox)
            # Two lines before the screen can show the next question: the second is not for it.
            given: list[str] = []
            box.post_message = lambda message: given.append(message.text)  # type: ignore[attr-defined,method-assign]
            for text in ("-40", "20"):
                field.value = text
                box._give(Input.Submitted(field, text))
                field.value = ""
            assert given == ["-40C"]
            assert "20 came before the next question" in shown(app.screen, "#said")
            del box.post_message
            app.engine.answer("-40C")
            await helper.open_question(pilot, 1)
            # Several lines pasted at once: none is taken.
            field.post_message(ReadingInput.Several(2))
            await helper.until(pilot, lambda: "none was taken" in shown(app.screen, "#said"))
            await pilot.press("4", "0", "enter")
            await helper.open_question(pilot, 2)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


class OneBox(App[None]):
    """Nothing but the place where readings are typed."""

    def __init__(self) -> None:
        super().__init__()
        self.given: list[tuple[str, object]] = []

    def compose(self) -> ComposeResult:
        yield AnswerBox(Scale.CELSIUS)

    def on_answer_box_given(self, message: AnswerBox.Given) -> None:
        self.given.append((message.text, message.token))


@asynccontextmanager
async def asked_once() -> AsyncIterator[tuple[OneBox, Pilot[None], AnswerBox, Input]]:
    """The box with its first question open, and its input."""
    app = OneBox()
    async with app.run_test() as pilot:
        box, field = app.query_one(AnswerBox), app.query_one(Input)
        field.focus()
        box.ask("Step 1?", "", (), token=1)
        yield app, pilot, box, field


def test_no_question_cuts_what_is_half_typed(helper) -> None:  # type: ignore[no-untyped-def]
    """The rest of a line would pass for a reading: 80 typed, 0 taken."""

    async def body() -> None:
        async with asked_once() as (app, pilot, box, field):
            await pilot.press("4", "enter")
            await pilot.press("8")
            box.ask(None, "The relays move.", ())
            box.ask("Step 2?", "", (), token=2)
            assert box.open_token == 2
            await pilot.press("0", "enter")
            await helper.until(pilot, lambda: len(app.given) == 2)
            assert app.given == [("4C", 1), ("80C", 2)]
            assert field.value == ""

    helper.run(body())


def test_no_key_of_a_line_goes_with_the_line_before(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        async with asked_once() as (app, pilot, _, field):
            await pilot.press("4", "0")
            await field.action_submit()
            field.insert_text_at_cursor("8")  # before the box has looked at the line
            await helper.until(pilot, lambda: app.given)
            await pilot.pause()
            assert app.given == [("40C", 1)]
            assert field.value == "8"

    helper.run(body())


def test_a_wish_for_another_step_takes_the_half_typed_line_along(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        async with asked_once() as (app, pilot, box, field):
            await pilot.press("8")
            box.withdraw()
            assert field.value == ""
            await pilot.press("7", "enter")  # the old question is on the screen still
            await helper.until(pilot, lambda: "came before" in shown(app.screen, "#said"))
            assert app.given == []

    helper.run(body())


def test_an_answer_to_a_question_that_has_gone_is_not_taken(helper, harbour: Path) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            app.prepare(harbour / "plans/check.toml", None)
            await helper.at(pilot, ReadyScreen)
            await pilot.press("s")
            await helper.at(pilot, Ask)
            await pilot.press("y")
            await helper.at(pilot, RunScreen)
            await helper.open_question(pilot, 0)
            token = app.picture.view.prompt.token
            await pilot.press("f5")
            await helper.until(
                pilot,
                lambda: (
                    (app.picture.view.prompt or None) and app.picture.view.prompt.token != token
                ),
            )
            await helper.open_question(pilot, 0)
            app.screen.post_message(AnswerBox.Given("-40C", token))
            await helper.until(pilot, lambda: "had gone" in shown(app.screen, "#said"))
            assert app.picture.view.done == 0
            # What came too late for the screen to know is dropped by the readback, and it says so.
            readback = app.engine.job._bench.readback
            really = readback.ask

            def late(prompt: object) -> None:
                app.engine.answer("-41C")
                really(prompt)

            readback.ask = late
            await pilot.press("f5")
            await helper.until(pilot, lambda: "dropped" in shown(app.screen, "#said"))
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())


def test_a_paste_of_several_lines_is_refused_and_one_line_taken(helper) -> None:  # type: ignore[no-untyped-def]
    from textual import events

    several: list[int] = []

    class Page(App[None]):
        def compose(self) -> ComposeResult:
            yield ReadingInput()

        def on_reading_input_several(self, message: ReadingInput.Several) -> None:
            several.append(message.count)

    async def body() -> None:
        app = Page()
        async with app.run_test() as pilot:
            field = app.query_one(ReadingInput)
            field.focus()
            field.post_message(events.Paste("20\n80\n"))
            await helper.until(pilot, lambda: several)
            assert field.value == ""
            field.post_message(events.Paste("20\n"))
            await helper.until(pilot, lambda: field.value == "20")
            assert several == [2]

    helper.run(body())


def test_the_hook_up_comes_before_the_first_question(check: ReadyRun) -> None:
    parts = [part.text for part in ready_parts(check)]
    words = "\n".join(parts)
    assert parts[0].startswith("Hook-up")
    assert words.index("Unplug the sensor") < words.index("bench     ")
    assert "open circuit, 20.0 degC, 80.0 degC, short circuit" in words
    assert "ladder ├" in words
    assert "diagnostic socket" in words
    assert all(len(line) <= 76 for line in parts[:6])


def test_the_hook_up_says_when_it_is_only_practice(check: ReadyRun) -> None:
    steps = check.prepared.resolved.steps
    practice, real = (
        "\n".join(p.text for p in hookup_parts(steps, Scale.FAHRENHEIT, typed=False, real=real))
        for real in (False, True)
    )
    assert "simulated" in practice
    assert "simulated" not in real
    assert "68.0 degF" in real
    assert "tool" not in real


def test_words_of_the_trade_are_for_whoever_asks(check: ReadyRun) -> None:
    plain, more = (
        "\n".join(part.text for part in ready_parts(check, details=details))
        for details in (False, True)
    )
    for word in ("decision rule", "k=2", "19 relays"):
        assert word not in plain
        assert word in more


def test_after_a_fail_the_plan_that_would_tell_is_one_key_away(helper, harbour: Path) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app(clock=helper.fast())
        async with app.run_test(size=(80, 24)) as pilot:
            app.prepare(harbour / "plans/check.toml", None)
            await helper.at(pilot, ReadyScreen)
            await pilot.press("s")
            await helper.at(pilot, Ask)
            await pilot.press("y")
            await helper.at(pilot, RunScreen)
            for step, reading in enumerate(("=", "70", "=")):
                await helper.open_question(pilot, step)
                await pilot.press(*reading, "enter")
            await helper.until(pilot, lambda: "Enter once" in shown(app.screen, "#said"))
            await pilot.press("enter")
            await helper.until(pilot, lambda: "n prepares sweep" in shown(app.screen, "#ending"))
            ending = shown(app.screen, "#ending")
            assert "FAIL" in ending
            assert "ndecided" not in ending
            await pilot.press("n")
            await helper.at(pilot, ReadyScreen)
            assert "Tern coolant sweep" in shown(app.screen, "#headline")
            assert app.mistakes == []

    helper.run(body())


def test_a_plan_with_enough_temperatures_needs_no_other() -> None:
    plans = [WORKSHOP / "plans/sweep.toml"]
    check = prepare(WORKSHOP / "plans/check.toml").inputs.plan
    assert telling_plan(check, [WORKSHOP / "plans/check.toml", *plans]) == plans[0]
    assert telling_plan(check, []) is None
    assert telling_plan(check, [WORKSHOP / "benches/typed.toml"]) is None  # no plan
    assert telling_plan(prepare(plans[0]).inputs.plan, plans) is None


def test_the_plan_that_would_tell_is_short_and_runs_on_this_bench() -> None:
    # The sources' own folder is what a stranger starts with: it has a plan of two inputs, one of
    # 61 steps and one of four for the same sensor.
    folder = Path(__file__).parents[2] / "sweeps"
    plans = sorted(folder.glob("*.toml"))
    check = prepare(folder / "coolant-check.toml").inputs.plan
    long, pair = folder / "coolant-sweep.toml", folder / "coolant-and-air.toml"
    assert telling_plan(check, plans) == folder / "coolant-quick.toml"
    assert telling_plan(check, [pair, long]) == long
    assert telling_plan(check, [pair]) is None
    assert telling_plan(check, [pair], second=True) == pair


def test_what_a_person_writes_is_kept_and_stands_on_the_page(helper, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    record = tmp_path / "check.jsonl"
    shutil.copy(ROOT / "sweeps/recorded/coolant-check.jsonl", record)
    before = record.read_bytes()

    async def body() -> None:
        app = RungwiseApp(tmp_path, runs=helper.runs)
        app.animation_level = "none"
        async with app.run_test(size=(60, 18)) as pilot:
            done: list[object] = []
            form = SaidForm(told_beside(record))
            app.push_screen(form, done.append)
            await helper.until(pilot, lambda: form.focused is not None)
            await pilot.press(*"Tern 2", "enter", "enter", *"P0118", "enter", *"wet", "enter")
            await helper.until(pilot, lambda: done)
            keep_told(record, done[0])  # type: ignore[arg-type]

    helper.run(body())
    told = told_beside(record)
    assert (told.machine, told.codes_before, told.codes_after) == ("Tern 2", "", "P0118")
    assert told.notes == ("wet",)
    page = page_beside(record).read_text(encoding="utf-8")
    for words in ("Tern 2", "P0118", "wet"):
        assert words in page
    assert record.read_bytes() == before  # a closed record is not touched


@pytest.mark.parametrize(
    "text", ["", "[]", '{"format": "x"}', '{"format": "rungwise-told/1", "note": 3}']
)
def test_a_damaged_file_beside_a_record_counts_as_not_written(tmp_path: Path, text: str) -> None:
    from controller.reports.html import Told

    (tmp_path / "a.told.json").write_text(text, encoding="utf-8")
    assert told_beside(tmp_path / "a.jsonl") == told_beside(tmp_path / "b.jsonl") == Told()


def test_the_final_sentence_is_in_the_unit_of_the_screen() -> None:
    sentence = (
        "1 of 3 steps failed, most at 40.0 degC: reported 55.0 where 40.0 degC was expected"
        " (error +15.0, uncertainty 0.58, tolerance 3)."
    )
    assert sentence_on(sentence, Scale.CELSIUS) == sentence
    assert sentence_on(sentence, Scale.FAHRENHEIT) == (
        "1 of 3 steps failed, most at 104.0 degF: reported 131.0 where 104.0 degF was expected"
        " (error +27.0, uncertainty 1.04, tolerance 5.4)."
    )


def test_no_degc_is_left_in_any_sentence_of_a_recorded_run() -> None:
    for path in sorted((ROOT / "sweeps/recorded").glob("*.jsonl")):
        closing = load_record(path).closing
        assert closing is not None
        told = sentence_on(str(closing["sentence"]), Scale.FAHRENHEIT)
        assert "degC" not in told
        assert "degF" in told


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"),
    [
        # NIST SP 811 (2008), appendix B.8: t/degF = 1.8 t/degC + 32; a difference has no 32.
        (
            "Curve offset: offset -2.0 degC (95 %: -3.0 degC to -1.0 degC); nothing else fits.",
            "Curve offset: offset -3.6 degF (95 %: -5.4 degF to -1.8 degF); nothing else fits.",
        ),
        ("leaves up to 5.0 degC (reading 3), rms 2.5 degC.",
         "leaves up to 9.0 degF (reading 3), rms 4.5 degF."),
        ("One more step would tell: 40 degC (a: 35.0 degC; b: -40.0 degC).",
         "One more step would tell: 104.0 degF (a: 95.0 degF; b: -40.0 degF)."),
        ("The open input is reported as 20 degC instead of -40 degC.",
         "The open input is reported as 68.0 degF instead of -40.0 degF."),
    ],
)  # fmt: skip
def test_a_finding_is_in_the_unit_of_the_screen(celsius: str, fahrenheit: str) -> None:
    assert sentence_on(celsius, Scale.CELSIUS) == celsius
    assert sentence_on(celsius, Scale.FAHRENHEIT) == fahrenheit


def test_no_degc_is_left_in_what_is_found_in_recorded_runs() -> None:
    """The words are those that the diagnosis really uses."""
    differences = 0
    for path in sorted((ROOT / "sweeps/recorded").glob("*.jsonl")):
        loaded = load(path)
        if loaded.sensor is None:
            continue
        results = tuple(one for one in loaded.film.at(loaded.film.last).results if one)
        for line in diagnosis_lines(results, loaded.sensor, loaded.module, details=True):
            told = sentence_on(line, Scale.FAHRENHEIT)
            assert "degC" not in told
            for was, now in zip(SPANS.findall(line), SPANS.findall(told), strict=True):
                assert float(now) == pytest.approx(1.8 * float(was), abs=0.06)
                differences += 1
    assert differences  # else nothing was looked at


def test_no_caution_is_out_of_reach_in_a_small_window(helper) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(60, 18)) as pilot:
            await helper.at(pilot, ChooseScreen)
            asked = ask_cautions(0.002, 0.0025)
            app.push_screen(asked)
            more = "more below: Down shows it"
            await helper.until(pilot, lambda: more in helper.drawn(pilot))
            assert "Cooling fans" in helper.drawn(pilot)
            assert "draws 2 mA" not in helper.drawn(pilot)  # the last one
            for _ in range(3):
                await pilot.press("down")
            await helper.until(pilot, lambda: "draws 2 mA" in helper.drawn(pilot))
            await helper.until(pilot, lambda: more not in helper.drawn(pilot))
            for size in ((140, 45), (80, 24)):  # there all of them have room, and no key is needed
                await pilot.resize_terminal(*size)
                await helper.until(
                    pilot,
                    lambda: (
                        "Cooling fans" in helper.drawn(pilot)
                        and "draws 2 mA" in helper.drawn(pilot)
                    ),
                )
                assert more not in helper.drawn(pilot)
            await pilot.press("down", "enter")  # nothing to scroll: the other button
            await helper.at(pilot, ChooseScreen)
            assert app.mistakes == []

    helper.run(body())


def test_the_bell_rings_at_question_fail_and_end_only(helper, harbour: Path) -> None:  # type: ignore[no-untyped-def]
    rung: list[str] = []

    class Loud(RungwiseApp):
        def bell(self) -> None:
            view = self.picture.view
            rung.append("end" if view.phase is Phase.FINISHED else view.phase.value)

    async def body() -> None:
        app = helper.app(clock=helper.fast(), kind=Loud)
        async with app.run_test(size=(80, 24)) as pilot:
            app.prepare(harbour / "plans/check.toml", None)
            await helper.at(pilot, ReadyScreen)
            await pilot.press("s")
            await helper.at(pilot, Ask)
            assert rung == []
            await pilot.press("y")
            await helper.at(pilot, RunScreen)
            await helper.open_question(pilot, 0)
            await helper.until(pilot, lambda: rung == [Phase.ASKING.value])
            await pilot.press("=", "enter")
            await helper.open_question(pilot, 1)
            await helper.until(pilot, lambda: len(rung) == 2)
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)
            await helper.until(pilot, lambda: rung[2:] == ["end"])

    helper.run(body())
