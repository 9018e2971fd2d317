"""Nothing on the screen is in degC while it is in degF: every sentence, and every screen.

The sentences are found in the sources, so that one that is new has to be decided about here. What
they become is held to NIST SP 811 (2008), appendix B.8: t/degF = 1.8 t/degC + 32, and to a
difference, which has no 32.
"""

from __future__ import annotations

import ast
import asyncio
import importlib.util
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from controller.run.events import FaultRaised, NoteKind, NoteMade
from controller.tui.parts import Tone
from controller.tui.preparing import ready
from controller.tui.scale import Scale
from controller.tui.screens.ready import ReadyScreen
from controller.tui.sentences import sentence_on

HERE = Path(__file__).parent
CONTROLLER = HERE.parents[1] / "controller"
ELSEWHERE = ("cli", "tui", "reports", "archive")
"""These have their own words for units; `tui` is walked below."""

# How often a sentence has a temperature (T), a difference (D) or another number (.), in its order.
SENTENCES = {
    "Readings {} to {} all say {} degC, though {} to {} degC were put in": "..TTT",
    "The {} input is reported as {} degC instead of {} degC, as if about {} were": ".TT.",
    "up to {} degC (reading {}), rms {} degC": "D.D",
    "None of the explanations fits: the readings are up to {} degC off the plan's": "D.",
    "No fault found: the readings agree with the curve (rms {} degC).": "D",
    "Take the step at {} degC again several times": "T",
    "Every reading is {} degC, though {} to {} degC were put in": "TTT",
    "steps within {} degC of each other belong together": "D",
    "the tolerance of {} degC is only {} times the uncertainty of {} degC, less than {} to 1;"
    " the largest part is {} ({} degC)": "D.D..D",
    "step {}: after the module's filter the path strays {} degC, all relays at": ".D",
    "the ladder cannot tell {} and {} degC apart": "TT",
    "the course is too steep to follow: what is set is up to {} degC off it": "D..",
    "step {}: {} degC ({}) cannot be made{}; the nearest is {} degC ({}), {} degC off": ".T..T.D",
    "switching there strays {} degC, more than": "D.",
    "after the module's filter switching there strays {} degC, more than": "D..",
    "{} brings it to {} degC": ".D",
    "an intermediate target of {} degC": "T",
    "the span of {}, {} to {} degC": ".TT",
    "{} degC is outside {}": "T.",
    "no band covers {} to {} degC": "TT",
    "{} degC is outside {} to {} degC": "TTT",
    "step {} of {}: {} to {} degC": "..TT",
    "the inputs disagree at {}, most at step {} by {} degC": "..D",
    "the point at {} degC, {} does not belong to the others": "T.",
    "before it reaches {} to {} degC": "TT",
    "the others fit best without the point at {} degC, {}": "T.",
    "the range is reversed: {} to {} degC": "TT",
    "Class {} of IEC 60751 holds from {} to {} degC only": ".TT",
    "The curve cannot support a tolerance of {} degC at {} degC": "DT",
    "The chart point at {} degC, {}, does not belong: it lies {} degC {} the curve": "T.D.",
    "The chart covers {} to {} degC only": "TT",
    "{} degC is not above absolute zero": "T",
    "{} degC is already there, in points[{}]": "T.",
    "the table is not monotone: {} ohm at {} degC does not {} from {} ohm at {} degC": ".T..T",
    "the curve jumps by {} % at {} degC": ".T",
    "the span is reversed: from {} to {} degC": "TT",
    "the span starts at {} degC, not above absolute zero": "T",
    "{} is outside the span of {}, {} to {} ({} to {} degC)": "....TT",
    "{} degC is outside the span of {}, {} to {} degC": "T.TT",
    "the resistance is not above zero at {} degC": "T",
    "the curve is not strictly monotone: it turns near {} degC": "T",
    "the table begins at {} degC": "T",
    "the table ends at {} degC": "T",
    "{}, {} degC": ".T",
    "{} degC": "T",
    " = {} degC": "T",
    "at {} degC": "T",
    "between {} and {} degC": "TT",
}
NO_NUMBER_OF_A_SCREEN = (
    "write degC: (F - 32) / 1.8",
    "The readings were converted from degF, but had been degC already.",
    "resolution {} is not a step of zero or more degC",
    "{} is not in degC",
    "the readback function returned {}",
    "print one number in degC",
    "20degC, 68degF, 2.5k",
    "write 20, 20degC or 68degF",
    "{}degC",
    "degC",
    "degC against ohm",
    # design of ladders and checks of sensors have no screen
    "The boiling point is that of fresh, clean water",
    "The ice point is that of fresh, clean water",
    "{} rungs cannot make every temperature within {} degC",
    "the least uncertainty of these ladders is {} degC",
    "no set of {} rungs from {} was found",
    "simulated coolant sensor, 2.8 kohm at 25 degC",
)
PUT_TOGETHER = ("reported {} where {} degC was expected (error {}{}{})",)
"""Tried below."""
CONSTANT = {
    "IEC 60751 begins at -200 degC": "IEC 60751 begins at -328.0 degF",
    "IEC 60751 ends at 850 degC": "IEC 60751 ends at 1562.0 degF",
    "The readings are 40 too high: bytes of a report that begins at -40 degC.": (
        "The readings are 72.0 too high: bytes of a report that begins at -40.0 degF."
    ),
}
NUMBER = re.compile(r"-?\d+\.\d+")


def templates() -> Iterator[str]:
    """Return every text of the product with degC in it, values in braces left empty."""
    for path in sorted(CONTROLLER.rglob("*.py")):
        if path.relative_to(CONTROLLER).parts[0] in ELSEWHERE:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        nodes = list(ast.walk(tree))
        inner = {id(v) for n in nodes if isinstance(n, ast.JoinedStr) for v in n.values}
        inner |= {id(n.value) for n in nodes if isinstance(n, ast.Expr)}  # docstrings
        for node in nodes:
            if isinstance(node, ast.JoinedStr):
                text = "".join(
                    str(v.value) if isinstance(v, ast.Constant) else "{}" for v in node.values
                )
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                text = "" if id(node) in inner else node.value
            else:
                continue
            if "degC" in text and "\n" not in text:
                yield text


def test_every_sentence_of_the_sources_is_decided_about() -> None:
    found = set(templates())
    assert len(found) > 40
    decided = (*SENTENCES, *NO_NUMBER_OF_A_SCREEN, *PUT_TOGETHER, *CONSTANT)
    known = {text: [one for one in decided if begins_with(text, one)] for text in found}
    assert [text for text, by in sorted(known.items()) if not by] == []
    gone = set(decided) - {one for by in known.values() for one in by}
    assert not gone, "sentences that the sources no longer have"


def begins_with(text: str, beginning: str) -> bool:
    """Return whether a text begins so; what says next to nothing has to be all of it."""
    return text == beginning or (len(beginning) > 10 and text.startswith(beginning))


@pytest.mark.parametrize("sentence", SENTENCES)
def test_a_sentence_is_in_the_unit_of_the_screen(sentence: str) -> None:
    kinds = SENTENCES[sentence]
    values = [11.25 + 10 * place for place in range(sentence.count("{}"))]
    celsius = sentence
    for value in values:
        celsius = celsius.replace("{}", f"{value:.2f}", 1)
    told = sentence_on(celsius, Scale.FAHRENHEIT)
    assert "degC" not in told
    assert re.sub(NUMBER, "", told) == re.sub(NUMBER, "", celsius.strip()).replace("degC", "degF")
    want = [
        {"T": 1.8 * value + 32, "D": 1.8 * value, ".": value}[kind]
        for value, kind in zip(values, kinds, strict=False)
    ]
    assert [float(one) for one in NUMBER.findall(told)] == pytest.approx(want, abs=0.051)


PIECES = {
    "fan: there between 94.50 and 95.50 degC (U 0.40), pass": (
        "fan: there between 202.10 and 203.90 degF (U 0.72), pass"
    ),
    "; hysteresis between 5.50 and 7.50 K": "; hysteresis between 9.90 and 13.50 degF",
    "at 40.0 degC: reported 55.0 where 40.0 degC was expected (error +15.0, uncertainty 0.58).": (
        "at 104.0 degF: reported 131.0 where 104.0 degF was expected (error +27.0, uncertainty"
        " 1.04)."
    ),
    "there not found, above 110.00 degC": "there not found, above 230.00 degF",
    "a tolerance of 1 degC at 0 to 10, 90 to 100 degC: its own": (
        "a tolerance of 1.8 degF at 32.0 to 50.0, 194.0 to 212.0 degF: its own"
    ),
    "strays 1.5 degC, all relays at once 2.0 degC": "strays 2.7 degF, all relays at once 3.6 degF",
    "Step 3 of 4, 80.0 degC, 353.0 ohm: what temperature": (
        "Step 3 of 4, 176.0 degF, 353.0 ohm: what temperature"
    ),
}


@pytest.mark.parametrize(("celsius", "fahrenheit"), [*CONSTANT.items(), *PIECES.items()])
def test_what_is_put_together_from_pieces(celsius: str, fahrenheit: str) -> None:
    assert sentence_on(celsius, Scale.FAHRENHEIT) == fahrenheit
    assert sentence_on(celsius, Scale.CELSIUS) == celsius


# The screens themselves.


@pytest.fixture(scope="module")
def stills() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stills_in_degrees", HERE / "stills.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def in_degc(text: str) -> list[str]:
    """Return the lines that still give a temperature in degC, or a unit that wraps off its number.

    F8 offers both units, and the record is in degC, whatever is shown.
    """
    said = text.replace("degC/degF", "").replace("the record keeps degC", "")
    return [line for line in said.splitlines() if "degC" in line]


def shown(pilot: object) -> str:
    strips = pilot.app.screen._compositor.render_strips()  # type: ignore[attr-defined]
    return "\n".join("".join(piece.text for piece in strip).rstrip() for strip in strips)


def test_no_screen_is_in_degc_while_it_is_in_degf(
    stills: ModuleType, monkeypatch: pytest.MonkeyPatch, pytestconfig: pytest.Config
) -> None:
    monkeypatch.chdir(HERE)
    helped: set[type] = set()  # in a soak every still's help is looked at, else every screen's

    async def body() -> None:
        app = stills.build_app("rungwise-16")
        app.scale = Scale.FAHRENHEIT
        async with app.run_test(size=(140, 45)) as pilot:
            await pilot.press("f9")
            for name, still in stills.STILLS.items():
                await still(pilot)
                assert "degF" in shown(pilot) or name == "cautions"
                assert in_degc(shown(pilot)) == [], name
                if type(app.screen) not in helped or pytestconfig.getoption("--soak"):
                    helped.add(type(app.screen))
                    await pilot.press("f1")
                    await pilot.pause()
                    assert in_degc(shown(pilot)) == [], f"help of {name}"
                    await pilot.press("escape")
                app.engine = None
                while len(app.screen_stack) > 1:
                    app.pop_screen()
                await stills.settled(pilot)

    asyncio.run(body())


WARNED = """
format = "rungwise-plan/1"
kind = "sweep"
name = "Tern coolant, narrow limits"
sensor = "{sweeps}/sensors/tern-coolant.toml"
module = "{sweeps}/modules/tern-aux-diesel.toml"
bench = "{workshop}/benches/corroded.toml"
tolerance_celsius = {tolerance}
[[targets]]
celsius = [{celsius}]
[settle]
within_celsius = 0.5
for_s = 1.0
at_most_s = 10.0
"""


def plan(folder: Path, *, tolerance: float, celsius: float) -> Path:
    path = folder / "narrow.toml"
    sweeps, workshop = HERE.parents[1] / "sweeps", HERE / "workshop"
    text = WARNED.format(sweeps=sweeps, workshop=workshop, tolerance=tolerance, celsius=celsius)
    path.write_text(text, encoding="utf-8")
    return path


def test_warnings_and_refusals_are_in_degf(helper, tmp_path: Path, runs: Path) -> None:  # type: ignore[no-untyped-def]
    run = ready(plan(tmp_path, tolerance=0.1, celsius=80), None, runs)
    assert any("degC" in one for one in run.prepared.resolved.warnings)  # else nothing is tried
    refused = tmp_path / "refused"
    refused.mkdir()
    outside = plan(refused, tolerance=3, celsius=500)

    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(140, 45)) as pilot:
            app.use_scale(Scale.FAHRENHEIT)
            await app.push_screen(ReadyScreen(run))
            await pilot.pause()
            assert "the tolerance of 0.18 degF" in helper.drawn(pilot)
            assert in_degc(shown(pilot)) == []
            app.prepare(outside, None)
            await helper.until(pilot, lambda: "cannot be run" in shown(pilot))
            # A long path before it breaks the line between any words.
            assert "932.0" in shown(pilot)
            assert "500" not in shown(pilot)
            assert in_degc(shown(pilot)) == []
            app.say("an intermediate target of 90.0 degC", Tone.DOUBT)
            await helper.until(
                pilot, lambda: any(one.message.endswith("194.0 degF") for one in app._notifications)
            )

    helper.run(body())


def test_what_a_run_says_is_in_degf(helper, check) -> None:  # type: ignore[no-untyped-def]
    """A wear warning, a fault and what a readback says to an answer."""
    from controller.errors import RelayKnowledge
    from controller.tui.ending import ending_parts
    from controller.tui.engine_thread import Picture
    from controller.tui.view import after, begin

    view = begin(check.prepared.resolved)
    for event in (
        NoteMade(at_s=1.0, kind=NoteKind.WEAR, text="relay 3 is worn: 0.4 degC at 90 degC"),
        FaultRaised(at_s=2.0, message="stuck at 20.5 degC", relays=RelayKnowledge.PARKED),
    ):
        view = after(view, event)
    picture = Picture(view=view, error="not below 10 degC")
    told = " ".join(part.text for part in ending_parts(picture, Scale.FAHRENHEIT))
    assert "degC" not in told
    for there in ("194.0 degF", "68.9 degF", "50.0 degF"):
        assert there in told

    async def body() -> None:
        app = helper.app(clock=helper.fast())
        app.use_scale(Scale.FAHRENHEIT)
        async with app.run_test(size=(100, 40)) as pilot:
            await app.push_screen(ReadyScreen(check))
            app.start_run(check, pace="real", resume=False)
            await helper.until(pilot, lambda: "Start; the relays move" in shown(pilot))
            await pilot.press("y")
            await helper.open_question(pilot, 0)
            await pilot.press(*"900", "enter")
            await helper.until(pilot, lambda: "is outside" in shown(pilot))
            assert in_degc(shown(pilot)) == []
            assert "900.0 degF is outside" in " ".join(shown(pilot).split())
            await pilot.press("f12")
            await helper.until(pilot, lambda: not app.driving)

    helper.run(body())
