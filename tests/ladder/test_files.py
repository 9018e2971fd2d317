"""Ladder files: the written contract loads, and bad files give all their problems at once."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from controller.errors import InputError
from controller.ladder.files import load_ladder, parse_state
from controller.ladder.model import Contacts, GroupKind

CONTRACT = """\
format = "rungwise-ladder/1"
name = "Bench ladder, sixteen rungs"
relay_count = 18
lead_ohms = 0.12
lead_uncertainty_ohms = 0.02

[relays]                      # defaults for every relay
contact_ohms = 0.05
contact_uncertainty_ohms = 0.02
operate_ms = 4.0
release_ms = 2.0
bounce_ms = 1.0

[output]                      # both optional
isolate_relay = 16            # energised = connected
short_relay = 17              # energised = shorted

[[group]]
kind = "series"               # energised relay bypasses its rung; contacts = "normally-closed"
rungs = [
  { relay = 0, ohms = 1.0, tolerance_percent = 1.0 },
  { relay = 1, ohms = 2.0, tolerance_percent = 1.0 },
]

[[group]]
kind = "parallel"             # energised relay connects its rung
rungs = [ { relay = 2, ohms = 470.0, uncertainty_ohms = 0.5, power_watts = 0.25, \
tempco_ppm_per_k = 50 } ]
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "ladder.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_ladder(written(folder, text))
    where = str(folder / "ladder.toml")
    return [str(problem).removeprefix(where) for problem in caught.value.problems]


def test_the_contract_loads(tmp_path):
    ladder = load_ladder(written(tmp_path, CONTRACT))
    assert ladder.relay_count == len(ladder.relays) == 18
    assert (ladder.isolate_relay, ladder.short_relay, ladder.park_state) == (16, 17, 0)
    assert [group.kind for group in ladder.groups] == [GroupKind.SERIES, GroupKind.PARALLEL]
    first, only = ladder.groups[0].rungs[0], ladder.groups[1].rungs[0]
    assert first.uncertainty_ohms == pytest.approx(0.01 / math.sqrt(3))
    assert (only.uncertainty_ohms, only.power_watts, only.tempco_ppm_per_k) == (0.5, 0.25, 50)
    assert {relay.contacts for relay in ladder.relays} == {Contacts.NORMALLY_OPEN}
    assert {relay.operate_ms for relay in ladder.relays} == {4.0}


def test_what_is_not_stated_has_a_default_and_a_warning(tmp_path):
    assert load_ladder(written(tmp_path, CONTRACT)).warnings == ()
    loose = (
        CONTRACT.replace("lead_uncertainty_ohms = 0.02\n", "")
        .replace("contact_uncertainty_ohms = 0.02\n", "")
        .replace("ohms = 2.0, tolerance_percent = 1.0", "ohms = 2.0")
    )
    ladder = load_ladder(written(tmp_path, loose))
    assert len(ladder.warnings) == 3
    assert "relays 1: 5 %" in ladder.warnings[0]
    assert ladder.groups[0].rungs[1].uncertainty_ohms == pytest.approx(0.1 / math.sqrt(3))
    assert ladder.groups[0].rungs[0].uncertainty_ohms == pytest.approx(0.01 / math.sqrt(3))
    assert {relay.contact_uncertainty_ohms for relay in ladder.relays} == {0.05}
    assert ladder.lead_uncertainty_ohms == 0.05
    # Stated one by one for every relay that switches something, it is stated.
    each = "".join(
        f"[[relay]]\nindex = {i}\ncontact_uncertainty_ohms = 0.01\n" for i in (0, 1, 2, 16, 17)
    )
    ladder = load_ladder(written(tmp_path, loose + each))
    assert not any("contact" in warning for warning in ladder.warnings)
    # Zero, stated, is zero.
    exact = CONTRACT.replace("lead_uncertainty_ohms = 0.02", "lead_uncertainty_ohms = 0")
    assert load_ladder(written(tmp_path, exact)).lead_uncertainty_ohms == 0.0


def test_a_fixed_resistor_is_described_at_the_top(tmp_path):
    described = """lead_ohms = 0.12
fixed_ohms = 100.0
fixed_tolerance_percent = 0.1
fixed_power_watts = 0.25
fixed_tempco_ppm_per_k = 15"""
    ladder = load_ladder(written(tmp_path, CONTRACT.replace("lead_ohms = 0.12", described, 1)))
    assert ladder.fixed_ohms == 100.0
    # 0.1 % either way, rectangular: 0.1 / sqrt(3) (JCGM 100:2008, 4.3.7)
    assert ladder.fixed_uncertainty_ohms == pytest.approx(0.1 / math.sqrt(3.0))
    assert (ladder.fixed_power_watts, ladder.fixed_tempco_ppm_per_k) == (0.25, 15)


def test_contact_settings_from_group_and_relay_entries(tmp_path):
    text = CONTRACT.replace(
        'kind = "series" ', 'kind = "series"\ncontacts = "normally-closed" #'
    ).replace("lead_ohms = 0.12", 'lead_ohms = 0.12\npark_state = "0x20003"')
    text += (
        "\n[[relay]]\nindex = 1\ncontacts = 'normally-open'\nrated_operations = 1000\n"
        "[[relay]]\nindex = 17\nbounce_ms = 9.0\n"
    )
    ladder = load_ladder(written(tmp_path, text))
    assert ladder.relays[0].contacts is Contacts.NORMALLY_CLOSED
    assert ladder.relays[1].contacts is Contacts.NORMALLY_OPEN
    assert ladder.relays[1].rated_operations == 1000
    assert ladder.relays[1].contact_ohms == 0.05
    assert ladder.relays[17].bounce_ms == 9.0
    assert ladder.park_state == 0x20003


def test_all_problems_at_once(tmp_path):
    found = problems(
        tmp_path,
        """\
format = "rungwise-ladder/1"
name = ""
relay_count = 4
lead_ohms = -1
colour = "red"
park_state = "0xff"
[relays]
contact_ohms = nan
operate_ms = "fast"
[output]
isolate_relay = 9
short_relay = 0
[[group]]
kind = "seris"
rungs = [
  { relay = 0, ohms = -1.0 },
  { relay = 1, ohms = 2.0, tolerance_percent = 1.0, uncertainty_ohms = 1 },
]
[[group]]
kind = "parallel"
rungs = []
[[relay]]
index = 1
operat_ms = 2
[[relay]]
index = 1
""",
    )
    expected = [
        ":2: name: must not be empty",
        ":4: lead_ohms: must be at least 0, is -1",
        ":5: colour: unknown key",
        ":6: park_state: 0xff needs more relays",
        ":8: relays.contact_ohms: must be a finite number",
        ":9: relays.operate_ms: must be a number",
        ":11: output.isolate_relay: relay 9 is beyond the count",
        ":12: output.short_relay: relay 0 is already used at group[0].rungs[0].relay",
        ":14: group[0].kind: must be one of series, parallel",
        ":16: group[0].rungs[0].ohms: must be at least",
        ":17: group[0].rungs[1].uncertainty_ohms: stands beside tolerance_percent",
        ":21: group[1].rungs: needs at least 1 entry",
        ":24: relay[0].operat_ms: unknown key (did you mean operate_ms?)",
        ":26: relay[1].index: relay 1 is already described at relay[0]",
    ]
    assert len(found) == len(expected)
    for problem, start in zip(found, expected, strict=True):
        assert problem.startswith(start)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("relay = 1,", "relay = 0,", "relay 0 is already used"),
        ("short_relay = 17", "short_relay = 16", "relay 16 is already used"),
        ("relay = 2,", "relay = 18,", "beyond the count: relays run from 0 to 17"),
        ("relay_count = 18", "relay_count = 65", "must be at most 64"),
        ("relay_count = 18", "relay_count = 0", "must be at least 1"),
        ("relay_count = 18", "", "relay_count: is missing"),
        ("ohms = 2.0", "ohms = 0", "must be at least"),
        ("ohms = 2.0", "ohms = inf", "must be a finite number"),
        ("ohms = 2.0", "ohms = true", "must be a number, not true or false"),
        ("relay = 1,", "", "relay: is missing"),
        ("relay = 1,", "relay = -1,", "must be at least 0"),
        ("contact_ohms = 0.05", "contact_ohms = 0.05\ncontacts = 'shut'", "must be one of"),
        ("lead_ohms = 0.12", "park_state = 0x40000", "must be at most"),
        ("lead_ohms = 0.12", "park_state = 'parked'", "is not a state"),
        ("lead_ohms = 0.12", "max_current_amperes = 0", "must be more than 0"),
        ("rungs = [ {", "rungs = [ 3, {", "must be a table"),
        ("rungwise-ladder/1", "rungwise-ladder/9", "is a newer version"),
        ("lead_ohms = 0.12", "fixed_tolerance_percent = 0.1", "there is no fixed resistor"),
        (
            "lead_ohms = 0.12",
            "fixed_ohms = 1\nfixed_tolerance_percent = 1\nfixed_uncertainty_ohms = 1",
            "stands beside fixed_tolerance_percent",
        ),
    ],
)
def test_one_thing_wrong(tmp_path, old, new, says):
    assert old in CONTRACT
    found = problems(tmp_path, CONTRACT.replace(old, new, 1))
    assert len(found) == 1
    assert says in found[0]


def test_no_group_at_all(tmp_path):
    found = problems(tmp_path, 'format = "rungwise-ladder/1"\nname = "x"\nrelay_count = 2\n')
    assert found == [": group: is missing"]


def test_the_bench_ladders_load(pytestconfig):
    folder = pytestconfig.rootpath / "sweeps" / "ladders"
    loaded = [load_ladder(path) for path in sorted(folder.glob("bench-*.toml"))]
    assert len(loaded) >= 3
    for ladder in loaded:
        assert ladder.isolate_relay is not None
        assert ladder.short_relay is not None


def test_states_as_people_write_them(make_series):
    assert parse_state("0x0a3f") == 0x0A3F
    assert parse_state(" 0b101 ") == 5
    assert parse_state("12") == 12
    assert parse_state("012") == 12
    for text in ("", "0x", "-1", "a3f", "0x1_0", "1e3", "²"):
        with pytest.raises(InputError, match="not a state"):
            parse_state(text)
    with pytest.raises(InputError, match="more than 2 relays"):
        parse_state("0x4", make_series([1.0, 2.0]))
    assert make_series([1.0, 2.0]).format_state(3) == "0x0003"
