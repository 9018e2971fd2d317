"""Numbers are never cut, words and signs stand beside every tone, hostile text stays text."""

from __future__ import annotations

import math
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.segment import Segment
from textual.color import Color

from controller.links.base import LinkStatus
from controller.measurement.model import Verdict
from controller.run.events import Event, StepFinished
from controller.run.model import Reason
from controller.tui.palette import AsciiFilter
from controller.tui.parts import Part, Tone, within
from controller.tui.preparing import ReadyRun
from controller.tui.step_rows import columns_for, row_of
from controller.tui.text import ascii_only, fitted, lines, one_line, short_middle
from controller.tui.view import Driving, Phase, RunView, after, begin
from controller.tui.wording import (
    bar,
    degrees,
    duration,
    facts,
    headline,
    live_words,
    result_words,
    status_parts,
    verdict_words,
)

HOSTILE = "bad\x1b[31m[/red]\r\nname\u202e[bold]\x00\u200b"


def length(parts: tuple[Part, ...]) -> int:
    return sum(cell_len(part.text) + 2 for part in parts) - 2


def test_the_table_fits_80_columns_beside_a_scroll_bar(sweep: ReadyRun) -> None:
    columns = columns_for(sweep.prepared.resolved)
    assert sum(column.width + 1 for column in columns) - 1 <= 78


def test_no_cell_of_numbers_is_wider_than_its_column(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    columns = columns_for(sweep.prepared.resolved)
    view = begin(sweep.prepared.resolved)
    for event in sweep_events:
        view = after(view, event)
        if isinstance(event, StepFinished):
            for column, cell in zip(
                columns, row_of(view, view.done - 1, columns).cells, strict=True
            ):
                assert cell_len(cell) <= column.width, (column.head, cell)


@given(st.floats(allow_nan=False, allow_infinity=False), st.booleans())
def test_any_reading_a_person_can_type_fits_its_column(value: float, sign: bool) -> None:
    assert len(degrees(value, sign=sign)) <= 8


def test_wide_plans_get_wider_columns(sweep: ReadyRun) -> None:
    step = replace(sweep.prepared.resolved.steps[0], achieved_ohms=123456789012.0)
    plan = replace(sweep.prepared.resolved, steps=(step,))
    view = begin(plan)
    columns = columns_for(plan, room=120)
    for column, cell in zip(columns, row_of(view, 0, columns).cells, strict=True):
        assert len(cell) <= column.width


@pytest.mark.parametrize("verdict", list(Verdict))
def test_every_verdict_has_a_word_and_a_sign(verdict: Verdict) -> None:
    part = verdict_words(verdict)
    sign, word = part.text.split()
    assert not sign.isalpha()
    assert word.lower() == verdict.value


def test_signs_differ_without_colour() -> None:
    assert len({verdict_words(verdict).text for verdict in Verdict}) == 3
    shown = set()
    for driving in Driving:
        view = replace(RunView(), driving=driving)
        parts = status_parts(view, port="p", now_s=0.0, alive=True, stopping=False)
        shown.add(parts[0].text)
    assert len(shown) == len(Driving)


@pytest.mark.parametrize("room", [78, 138])
@pytest.mark.parametrize(
    "port", ["simulated", "/dev/serial/by-id/usb-Some_Very_Long_Adapter_Name_0001-if00-port0"]
)
def test_the_status_line_fits_and_keeps_its_numbers(
    sweep: ReadyRun, sweep_events: list[Event], room: int, port: str
) -> None:
    view = begin(sweep.prepared.resolved)
    link = LinkStatus(
        state=0, parked=False, moving=False, hold_off_expired=False, fault=False, restarted=False,
        hold_off_ms=2000, retries=12, dropped=3,
    )  # fmt: skip
    for event in sweep_events[:60]:
        view = replace(after(view, event), link=link)
        parts = status_parts(view, port=port, now_s=view.now_s, alive=True, stopping=False,
                             room=room)  # fmt: skip
        assert length(parts) <= room
        assert "12 retries" in parts[-1].text


@pytest.mark.parametrize("room", [78, 138])
def test_the_status_line_tells_of_a_ladder_that_stays_as_it_is(
    sweep: ReadyRun, sweep_events: list[Event], room: int
) -> None:
    view = begin(sweep.prepared.resolved)
    told = set()
    for event in sweep_events[:60]:
        view = after(view, event)
        parts = status_parts(view, port="/dev/ttyUSB0", now_s=view.now_s, alive=True,
                             stopping=False, room=room, parks_by_itself=False)  # fmt: skip
        assert length(parts) <= room
        says = any(part.text == "no self-park" for part in parts)
        assert says is (view.driving is Driving.DRIVEN)
        told.add(says)
    assert told == {True, False}


def test_the_status_line_names_what_must_always_be_known(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    view = begin(sweep.prepared.resolved)
    told = set()
    for event in sweep_events:
        view = after(view, event)
        parts = status_parts(view, port="simulated", now_s=view.now_s, alive=True, stopping=False)
        told.add(parts[0].text)
        text = "  ".join(part.text for part in parts)
        assert "simulated" in text
        if view.driving is Driving.DRIVEN:
            assert "0x" not in text
            assert "ohm" in text or "moving" in text
    assert {"▶ DRIVING", "■ parked"} <= told


def test_unknown_relays_are_said_to_be_unknown() -> None:
    view = replace(RunView(), driving=Driving.UNKNOWN)
    text = "  ".join(
        part.text for part in status_parts(view, port="p", now_s=0, alive=True, stopping=False)
    )
    assert "UNKNOWN" in text
    assert "relays not known" in text


def test_stopping_is_said_before_it_has_happened() -> None:
    view = replace(RunView(), driving=Driving.DRIVEN)
    parts = status_parts(view, port="p", now_s=0.0, alive=True, stopping=True)
    assert "STOPPING" in parts[0].text


def test_live_line_says_outside_in_words(sweep: ReadyRun, sweep_events: list[Event]) -> None:
    step = sweep.prepared.resolved.steps[3]
    expected = step.expected_celsius
    assert expected is not None
    view = replace(
        begin(sweep.prepared.resolved),
        step=step,
        phase=Phase.RUNNING,
        reported_at_s=1.0,
        set_at_s=0.5,
    )
    near = live_words(replace(view, reported_celsius=expected + 1.0), 2.0)
    far = live_words(replace(view, reported_celsius=expected + 9.0), 2.0)
    assert any("within" in part.text and part.tone is Tone.GOOD for part in near)
    assert any("OUTSIDE" in part.text and part.tone is Tone.BAD for part in far)


def test_facts_have_counts_relays_excursion_and_link(
    sweep: ReadyRun, sweep_events: list[Event]
) -> None:
    view = begin(sweep.prepared.resolved)
    for event in sweep_events[:40]:
        view = after(view, event)
    text = " ".join(part.text for part in facts(view))
    assert f"of {sweep.prepared.resolved.relay_operations}" in text
    assert "retries" in text
    assert "excursion" in text
    assert all(cell_len(part.text) <= 78 for part in facts(view))


def test_headline_says_paused_in_words(sweep: ReadyRun) -> None:
    view = replace(begin(sweep.prepared.resolved), phase=Phase.PAUSED)
    assert any("PAUSED" in part.text for part in headline(view, "plan"))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(None, "-"), (0.0, "0 s"), (7.2, "8 s"), (60.0, "1:00"), (3599.0, "59:59"),
     (3600.0, "1:00:00"), (90061.0, "25:01:01")],
)  # fmt: skip
def test_durations(seconds: float | None, words: str) -> None:
    assert duration(seconds) == words


@given(st.floats(-1, 2), st.integers(0, 60))
def test_a_bar_is_as_wide_as_asked(share: float, width: int) -> None:
    assert len(bar(share, width)) == width


@given(st.lists(st.text("abc 123", max_size=30), max_size=6), st.integers(1, 100))
def test_parts_that_do_not_fit_are_left_out_whole(texts: list[str], room: int) -> None:
    parts = [Part(text) for text in texts]
    kept = within(parts, room)
    assert length(kept) <= room
    assert [part.text for part in kept[1:]] == texts[1 : len(kept)]


@given(st.text(max_size=60), st.integers(0, 40))
def test_fitted_text_has_exactly_its_width(text: str, width: int) -> None:
    assert cell_len(fitted(text, width)) == width
    assert cell_len(fitted(text, width, right=True)) == width


@given(st.text(max_size=80), st.integers(4, 40))
def test_a_shortened_name_fits(text: str, width: int) -> None:
    assert cell_len(short_middle(text, width)) <= width


@given(st.text(max_size=60))
def test_ascii_keeps_the_width_and_is_ascii(text: str) -> None:
    shown = ascii_only(one_line(text))
    assert shown.isascii()
    assert len(shown) == cell_len(one_line(text))


@given(st.text(max_size=60))
def test_one_line_is_one_line_that_no_terminal_acts_on(text: str) -> None:
    shown = one_line(text)
    assert not any(unicodedata.category(char) in ("Cc", "Cf", "Cs") for char in shown)
    assert "\n" not in shown


def test_signs_stay_apart_in_ascii() -> None:
    signs = "✓✗?▶■○"
    assert len(set(ascii_only(signs))) == len(signs)


def test_hostile_text_is_shown_as_text() -> None:
    assert "\x1b" not in one_line(HOSTILE)
    assert "[/red]" in one_line(HOSTILE)
    assert len(lines(HOSTILE)) == 2


def test_result_words_carry_codes_and_reason(sweep: ReadyRun, sweep_events: list[Event]) -> None:
    result = next(e for e in sweep_events if isinstance(e, StepFinished)).result
    hostile = replace(result, codes=(HOSTILE,), reason=Reason.UNSETTLED)
    text = result_words(hostile).text
    assert "\x1b" not in text
    assert "did not settle" in text
    silent = replace(result, reported_celsius=None, error_celsius=None, reason=Reason.SKIPPED)
    assert "skipped" in result_words(silent).text


def test_an_open_circuit_is_written_as_a_word(check: ReadyRun) -> None:
    assert math.isinf(check.prepared.resolved.steps[0].achieved_ohms)
    plan = check.prepared.resolved
    columns = columns_for(plan)
    assert row_of(begin(plan), 0, columns).cells[3] == "open"


def test_a_plus_minus_at_the_end_of_a_line_keeps_its_second_character() -> None:
    """What wraps leaves the sign at a line's end, and the space after it in the next piece."""
    pieces = [Segment("20.0 degC ±"), Segment("   "), Segment("|")]
    drawn = AsciiFilter().apply(pieces, Color(0, 0, 0))
    assert "".join(piece.text for piece in drawn) == "20.0 degC +-  |"
