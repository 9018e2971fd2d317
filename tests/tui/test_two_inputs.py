"""A record of two inputs, played and compared: both in the table, and what shows one says which."""

from __future__ import annotations

from pathlib import Path

import pytest

import rungwise
from controller.records.reader import load_record
from controller.records.replay import replay
from controller.session.two_runs import replayed, two_records
from controller.tui.screens.record import RecordScreen, load
from controller.tui.step_rows import columns_for, row_of
from controller.tui.wording import live_words, result_words

SWEEPS = Path(__file__).parents[2] / "sweeps"


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of both inputs, all simulated; the air input reports 20 degC too much."""
    folder = tmp_path_factory.mktemp("pair")
    plan = (SWEEPS / "coolant-and-air.toml").read_text(encoding="utf-8")
    for place in ("sensors", "modules", "benches"):
        plan = plan.replace(f'"{place}/', f'"{SWEEPS}/{place}/')
    bench = (SWEEPS / "benches/simulated-pair.toml").read_text(encoding="utf-8")
    bench = bench.replace('"../', f'"{SWEEPS}/')
    bench += '\n[[second.fault]]\nkind = "series-resistance"\nohms = 2000\n'
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    record = folder / "pair.jsonl"
    rungwise.run(folder / "plan.toml", folder / "bench.toml", record=record)
    return record


def test_the_table_has_both_inputs_under_their_names_and_the_worse_result(pair: Path) -> None:
    film = load(pair).film
    view = film.at(film.last)
    columns = columns_for(film.plan, details=False)
    assert sum(column.width + 1 for column in columns) <= 79
    heads = [column.head for column in columns]
    assert heads.index("coolant") < heads.index("air") < heads.index("result")
    first = view.results[0]
    assert first is not None
    assert first.second is not None
    assert first.verdict == "pass"
    assert first.second.verdict == "fail"
    cells = dict(
        zip([column.key for column in columns], row_of(view, 0, columns).cells, strict=True)
    )
    assert "FAIL" in cells["result"].upper()
    assert float(cells["reported"]) == pytest.approx(first.reported_celsius, abs=0.06)
    assert float(cells["reported second"]) == pytest.approx(first.second.reported_celsius, abs=0.06)
    assert cells["reported"] != cells["reported second"]


def test_what_came_of_a_step_names_both_inputs(pair: Path) -> None:
    film = load(pair).film
    result = film.at(film.last).results[0]
    assert result is not None
    said = result_words(result, inputs=("coolant", "air")).text
    assert said.index("coolant 10.") < said.index("; air ")
    assert "FAIL" in said.upper()


def test_the_line_that_follows_one_input_says_which(pair: Path) -> None:
    film = load(pair).film
    view = film.at(film.steps[0] - 1)
    assert live_words(view, view.now_s)[0].text == "coolant:"


def test_comparing_says_which_input_the_rows_show(pair: Path) -> None:
    record = load_record(pair)
    assert two_records(record, record).remarks[:2] == (
        "A has two inputs: the rows show coolant, not air.",
        "B has two inputs: the rows show coolant, not air.",
    )
    assert replayed("A", replay(record)).remarks == (
        "A has two inputs: the rows show coolant, not air.",
    )


def test_the_next_failed_step_counts_the_second_input(helper, pair: Path) -> None:  # type: ignore[no-untyped-def]
    async def body() -> None:
        app = helper.app()
        async with app.run_test(size=(80, 24)) as pilot:
            screen = RecordScreen(load(pair))
            await app.push_screen(screen)
            await pilot.press("home")
            screen.action_failed()
            await pilot.pause()
            assert "; air " in helper.drawn(pilot)
            assert "plots: coolant alone, not air" in helper.drawn(pilot)

    helper.run(body())
