"""Readbacks: paced, stale-safe, and patient with people."""

import os
import pty
import sys
from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.clock import VirtualClock
from controller.module.model import ModuleReport
from controller.readback.base import OperatorCommand, Prompt, Readback, Reading
from controller.readback.lines import StdinLines
from controller.readback.simulated import SimulatedReadback
from controller.readback.typed import TypedReadback


def prompt(token, text="What does the display show?"):
    return Prompt(token=token, step_index=token, text=text)


class Keyboard:
    """Lines as a person finishes them; None ends the input."""

    def __init__(self):
        self.waiting = deque()

    def __call__(self):
        if not self.waiting:
            return None
        line = self.waiting.popleft()
        if line is None:
            raise EOFError
        return line

    def type(self, *lines):
        self.waiting.extend(lines)


@pytest.fixture
def keyboard():
    return Keyboard()


@pytest.fixture
def shown():
    return []


@pytest.fixture
def typed(keyboard, shown):
    return TypedReadback(keyboard, shown.append, VirtualClock())


# Simulated


def make_simulated(clock, interval_s=0.1):
    def sample():
        return ModuleReport(celsius=clock.now_s() * 10, volts=2.5, codes=("range",))

    return SimulatedReadback("simulated", sample, clock, interval_s)


def test_every_readback_is_one():
    clock = VirtualClock()
    readbacks: list[Readback] = [
        make_simulated(clock),
        TypedReadback(lambda: None, print, clock),
    ]
    assert [readback.continuous for readback in readbacks] == [True, False]
    assert all(readback.name for readback in readbacks)
    assert [readback.poll() for readback in readbacks] == [None, None]


def test_a_simulated_reading_is_of_this_moment_and_of_the_open_prompt():
    clock = VirtualClock()
    readback = make_simulated(clock)
    readback.ask(prompt(1))
    first = Reading(token=1, celsius=0.0, at_s=0.0, volts=2.5, codes=("range",))
    assert readback.poll() == first
    assert readback.poll() is None
    clock.sleep_s(5.0)
    readback.ask(prompt(2))
    later = readback.poll()
    assert later is not None
    assert (later.token, later.celsius, later.at_s) == (2, 50.0, 5.0)
    readback.close()
    clock.sleep_s(5.0)
    assert readback.poll() is None


def test_readings_come_at_the_stated_interval_whatever_the_polling():
    clock = VirtualClock()
    readback = make_simulated(clock, interval_s=0.3)
    readback.ask(prompt(1))
    times = []
    for tick in range(1000):  # 0.1 s summed up does not give 0.3 s exactly
        if tick % 7 == 0:
            readback.ask(prompt(tick))
        if (reading := readback.poll()) is not None:
            times.append(reading.at_s)
        clock.sleep_s(0.1)
    assert times == pytest.approx([0.3 * k for k in range(len(times))], abs=1e-6)
    assert len(times) == 334


# Typed


@pytest.mark.parametrize(
    ("line", "celsius"),
    [
        ("83", 83.0),
        ("83C", 83.0),
        (" 83 degC ", 83.0),
        ("181F", 82.7777777778),
        ("68degF", 20.0),
        ("-40", -40.0),
        ("-40F", -40.0),
        ("82,5", 82.5),
        ("83\r", 83.0),
    ],
)
def test_a_temperature_is_taken(typed, keyboard, line, celsius):
    typed.ask(prompt(7))
    assert typed.poll() is None
    keyboard.type(line)
    reading = typed.poll()
    assert isinstance(reading, Reading)
    assert reading.token == 7
    assert reading.celsius == pytest.approx(celsius)
    assert typed.poll() is None, "answered once"


def test_fahrenheit_by_default_where_the_display_shows_it(keyboard, shown):
    typed = TypedReadback(keyboard, shown.append, VirtualClock(), "F")
    for token, (line, celsius) in enumerate((("212", 100.0), ("100C", 100.0))):
        typed.ask(prompt(token))
        keyboard.type(line)
        reading = typed.poll()
        assert isinstance(reading, Reading)
        assert reading.celsius == pytest.approx(celsius)


@pytest.mark.parametrize(
    ("line", "command"),
    [
        ("skip", OperatorCommand.SKIP),
        ("S", OperatorCommand.SKIP),
        ("redo", OperatorCommand.REDO),
        ("r", OperatorCommand.REDO),
        (" Stop ", OperatorCommand.STOP),
        ("q", OperatorCommand.STOP),
    ],
)
def test_a_command_is_taken(typed, keyboard, line, command):
    typed.ask(prompt(1))
    keyboard.type(line)
    assert typed.poll() is command


@pytest.mark.parametrize("line", ["--", "-", "---"])
def test_dashes_are_a_reading_without_temperature(typed, keyboard, line):
    typed.ask(prompt(1))
    keyboard.type(line)
    assert typed.poll() == Reading(token=1, celsius=None, at_s=0.0)


@pytest.mark.parametrize("line", ["", "hot", "83 84", "8e999", "-300", "83K", "nan", "1" * 500])
def test_nonsense_is_refused_plainly_and_asked_again(typed, keyboard, shown, line):
    typed.ask(prompt(1))
    keyboard.type(line)
    assert typed.poll() is None
    assert len(shown) == 2
    assert "type" in shown[-1]
    assert len(shown[-1]) < 200
    keyboard.type("83")
    reading = typed.poll()
    assert isinstance(reading, Reading)
    assert reading.celsius == 83.0


def test_what_was_typed_is_shown_without_control_characters(typed, keyboard, shown):
    typed.ask(prompt(1))
    keyboard.type("\x1b[2J\x07boo")
    assert typed.poll() is None
    assert shown[-1].isprintable()


@pytest.mark.parametrize("confirmation", ["y", "YES", "181", "181C"])
def test_an_implausible_number_has_to_be_confirmed(typed, keyboard, shown, confirmation):
    typed.ask(prompt(1))
    keyboard.type("181")
    assert typed.poll() is None
    assert "outside -50 to 150 degC" in shown[-1]
    assert "181F" in shown[-1]
    keyboard.type(confirmation)
    reading = typed.poll()
    assert isinstance(reading, Reading)
    assert reading.celsius == 181.0


def test_an_implausible_number_can_be_put_right(typed, keyboard):
    typed.ask(prompt(1))
    keyboard.type("181", "181F")
    reading = typed.poll()
    assert isinstance(reading, Reading)
    assert reading.celsius == pytest.approx(82.7777777778)


def test_a_confirmation_belongs_to_its_number_and_its_prompt(typed, keyboard):
    typed.ask(prompt(1))
    keyboard.type("181", "what?", "y")
    assert typed.poll() is None
    keyboard.type("181")
    assert typed.poll() is None
    typed.ask(prompt(2))
    keyboard.type("y")
    assert typed.poll() is None


def test_lines_from_before_the_prompt_are_dropped_and_told(typed, keyboard, shown):
    keyboard.type("20", "30")
    typed.ask(prompt(1))
    assert typed.poll() is None
    assert [("'20'" in line, "'30'" in line) for line in shown[:2]] == [
        (True, False),
        (False, True),
    ]
    assert shown[-1] == "What does the display show?"
    keyboard.type("83")
    assert typed.poll() == Reading(token=1, celsius=83.0, at_s=0.0)


def test_a_second_line_does_not_answer_the_next_prompt(typed, keyboard):
    typed.ask(prompt(1))
    keyboard.type("83", "84")
    assert typed.poll() == Reading(token=1, celsius=83.0, at_s=0.0)
    typed.ask(prompt(2))
    assert typed.poll() is None


def test_a_script_may_answer_all_prompts_at_once(keyboard, shown):
    typed = TypedReadback(keyboard, shown.append, VirtualClock(), keep_early=True)
    keyboard.type("20", "30", None)
    answers = []
    for token in range(3):
        typed.ask(prompt(token))
        answers.append(typed.poll())
    assert answers == [
        Reading(token=0, celsius=20.0, at_s=0.0),
        Reading(token=1, celsius=30.0, at_s=0.0),
        OperatorCommand.STOP,
    ]


@pytest.mark.parametrize("before", [True, False])
def test_the_end_of_the_input_is_stop(typed, keyboard, before):
    if before:
        keyboard.type(None)
    typed.ask(prompt(1))
    if not before:
        keyboard.type(None)
    assert typed.poll() is OperatorCommand.STOP
    typed.ask(prompt(2))
    assert typed.poll() is OperatorCommand.STOP, "and stays the end"


@given(
    st.lists(st.one_of(st.text(max_size=12), st.sampled_from(["83", "skip", "181", "y"]))),
    st.lists(st.one_of(st.text(max_size=12), st.sampled_from(["20", "redo", "-60", "y"]))),
)
def test_no_line_ever_answers_another_prompt_and_none_raises(early, late):
    keyboard = Keyboard()
    typed = TypedReadback(keyboard, lambda line: None, VirtualClock())
    keyboard.type(*early)
    typed.ask(prompt(5))
    assert typed.poll() is None
    keyboard.type(*late)
    answer = typed.poll()
    if isinstance(answer, Reading):
        assert answer.token == 5
    assert typed.poll() is None


# Lines


@pytest.fixture
def pipe():
    reading, writing = os.pipe()
    ends = {"reading": reading, "writing": writing}
    yield ends
    for end in ends.values():
        os.close(end)


def test_lines_come_whole_and_never_wait(pipe):
    lines = StdinLines(pipe["reading"])
    assert lines() is None
    os.write(pipe["writing"], b"8")
    assert lines() is None
    os.write(pipe["writing"], b"3C\r\n\nskip\nla")
    assert [lines(), lines(), lines(), lines()] == ["83C", "", "skip", None]
    os.close(pipe.pop("writing"))
    assert lines() == "la"
    for _ in range(2):
        with pytest.raises(EOFError):
            lines()


def test_bytes_that_are_not_text_and_a_closed_input_do_no_harm(pipe):
    lines = StdinLines(pipe["reading"])
    os.write(pipe["writing"], b"\xff\xfe83\n")
    assert lines() == "\ufffd\ufffd83"
    os.close(pipe.pop("reading"))
    with pytest.raises(EOFError):
        lines()


@pytest.mark.pty
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_terminal_gives_a_line_when_enter_is_pressed_and_ends_with_ctrl_d():
    person, terminal = pty.openpty()
    try:
        lines = StdinLines(terminal)
        os.write(person, b"83")
        assert lines() is None
        os.write(person, b"\n")
        assert lines() == "83"
        os.write(person, b"\x04")
        with pytest.raises(EOFError):
            lines()
    finally:
        os.close(person)
        os.close(terminal)


class TestYesOrNo:
    def test_only_yes_and_no_are_answers(self) -> None:
        clock, said = VirtualClock(), []
        lines = iter(["83", "maybe", "", "Y", None])
        typed = TypedReadback(lambda: next(lines), said.append, clock, keep_early=True)
        typed.ask(Prompt(token=1, step_index=0, text="does it run?", yes_or_no=True))
        answer = typed.poll()
        assert isinstance(answer, Reading)
        assert (answer.seen, answer.celsius, answer.token) == (True, None, 1)
        assert len([line for line in said if "y or n" in line]) == 3

    def test_no_and_stop(self) -> None:
        clock = VirtualClock()
        lines = iter(["no", "stop"])
        typed = TypedReadback(lambda: next(lines), lambda _: None, clock, keep_early=True)
        answers = []
        for token in (1, 2):
            typed.ask(Prompt(token=token, step_index=0, text="does it run?", yes_or_no=True))
            answers.append(typed.poll())
        assert isinstance(answers[0], Reading)
        assert answers[0].seen is False
        assert answers[1] is OperatorCommand.STOP

    def test_a_temperature_prompt_after_it_takes_temperatures(self) -> None:
        clock = VirtualClock()
        lines = iter(["n", "83"])
        typed = TypedReadback(lambda: next(lines), lambda _: None, clock, keep_early=True)
        typed.ask(Prompt(token=1, step_index=0, text="does it run?", yes_or_no=True))
        typed.poll()
        typed.ask(Prompt(token=2, step_index=0, text="how warm?"))
        answer = typed.poll()
        assert isinstance(answer, Reading)
        assert (answer.celsius, answer.seen) == (83.0, None)
