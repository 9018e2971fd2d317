"""Bench files of modules that are read over CAN."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.can import can_readback
from controller.bench.files import load_bench
from controller.bench.model import LinkKind, ReadbackKind
from controller.bench.wiring import open_bench
from controller.cautions import BUS_CAUTION
from controller.clock import RealClock, VirtualClock
from controller.errors import InputError
from controller.planning.files import load_plan
from controller.planning.levels import search_problems
from controller.planning.resolve import resolve_on
from controller.planning.settling import settle_problems
from controller.readback.can.broadcast_readback import BroadcastReadback
from controller.readback.can.frames import Addressing
from controller.readback.can.services import Service
from controller.readback.can.services_readback import ServiceReadback
from controller.session.recording import chosen_pace

SWEEPS = Path(__file__).parents[2] / "sweeps"
HEAD = f'''format = "rungwise-bench/1"
ladder = "{SWEEPS}/ladders/bench-16.toml"
[link]
kind = "serial"
url = "/dev/ttyUSB0"
[readback]
'''
ASKED = 'kind = "can"\ninterface = "slcan"\nchannel = "/dev/ttyACM0"\nbitrate = 500000\n'
COOLANT = 'quantity = "coolant"\n'
HEARD = 'kind = "j1939"\ninterface = "socketcan"\nchannel = "can0"\nquantity = "oil"\n'


def loaded(tmp_path, text):
    path = tmp_path / "bench.toml"
    path.write_text(HEAD + text)
    return load_bench(path)


def test_the_usual_and_everything(tmp_path):
    can = loaded(tmp_path, ASKED + COOLANT).can
    assert can is not None
    assert (can.addressing, can.service) == (Addressing.SHORT, Service.CURRENT_DATA)
    assert (can.interval_s, can.refresh_s, can.module, can.silent_bus) == (0.25, 0.0, None, False)
    bench = loaded(
        tmp_path,
        ASKED
        + COOLANT
        + 'addressing = "29-bit"\nservice = "22"\nmodule = "18DAF110"\ninterval_s = 0.5\n'
        + "refresh_s = 2\nsilent_bus = true\nbaud = 921600\n",
    )
    can = bench.can
    assert can is not None
    assert (can.addressing, can.service) == (Addressing.LONG, Service.BY_IDENTIFIER)
    assert (can.module, can.silent_bus, can.baud) == ("18DAF110", True, 921_600)
    assert (bench.reading_interval_s, bench.refresh_s) == (0.5, 2.0)
    assert isinstance(can_readback(can, RealClock()), ServiceReadback)


def test_broadcasts(tmp_path):
    bench = loaded(tmp_path, HEARD + 'module = "00"\n')
    assert bench.readback is ReadbackKind.J1939
    assert bench.reading_interval_s == 1.0
    assert bench.can is not None
    assert isinstance(can_readback(bench.can, RealClock()), BroadcastReadback)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (ASKED, "readback.quantity: is missing"),
        (ASKED + 'quantity = "coolent"\n', "did you mean coolant?"),
        (ASKED + COOLANT + 'module = "7G8"\n', "is not a hex number"),
        (ASKED.replace("bitrate = 500000\n", "") + COOLANT, "readback.bitrate: is missing"),
        (HEARD + "bitrate = 250000\n", "ip link set can0 up type can bitrate 250000"),
        (HEARD + 'service = "01"\n', "unknown key"),
        (HEARD.replace("oil", "ambient-air"), "must be one of coolant, intake-air, oil"),
        (ASKED + COOLANT + 'addressing = "11bit"\n', "did you mean 11-bit?"),
        ('kind = "typed"\nchannel = "can0"\n', 'belongs to kind = "can" or "j1939"'),
    ],
)
def test_what_is_wrong_is_said(tmp_path, text, expected):
    with pytest.raises(InputError) as caught:
        loaded(tmp_path, text)
    assert expected in str(caught.value)


def test_a_real_bus_counts_as_hardware_even_where_no_relay_moves(tmp_path):
    bench = loaded(tmp_path, ASKED + COOLANT)
    assert bench.cautions == (BUS_CAUTION,)
    for link in LinkKind:
        for readback in ReadbackKind:
            at_a_port = (LinkKind.SERIAL, LinkKind.MODBUS_RTU, LinkKind.ASCII)
            real = link in at_a_port or readback in (ReadbackKind.CAN, ReadbackKind.J1939)
            assert replace(bench, link=link, readback=readback).drives_hardware is real


def test_it_takes_real_time(tmp_path):
    bench = replace(loaded(tmp_path, ASKED + COOLANT), link=LinkKind.SIMULATED)
    assert chosen_pace(None, bench) == "real"
    with pytest.raises(InputError, match="virtual time"):
        chosen_pace("fast", bench)
    with pytest.raises(InputError, match="takes real time"):
        open_bench(replace(bench, link=LinkKind.SERIAL), VirtualClock())


def test_a_module_that_renews_its_report_slowly_is_waited_for(tmp_path):
    """Settled readings from before the renewal are old: 60 of 61 were, in a trial with 2 s."""
    bench = loaded(tmp_path, ASKED + COOLANT + "refresh_s = 2\n")
    plan = load_plan(SWEEPS / "coolant-quick.toml")
    assert plan.module is not None
    filter_s = 3 * plan.module.filter_time_constant_s
    assert resolve_on(plan, bench).settle.lag_s == pytest.approx(2.0 + filter_s)
    short = replace(plan, settle=replace(plan.settle, at_most_s=2.5))
    [problem] = settle_problems(short, bench, plan.module)
    assert "the module shows a change after 2.45 s" in problem.message
    assert problem.hint == "write 3.05 or more"
    assert not list(settle_problems(short, loaded(tmp_path, ASKED + COOLANT), plan.module))


def test_a_rule_that_broadcasts_cannot_meet_is_refused(tmp_path):
    plan = load_plan(SWEEPS / "coolant-quick.toml")
    [problem] = settle_problems(plan, loaded(tmp_path, HEARD), plan.module)
    assert "one comes every 1 s" in problem.message


def test_a_search_for_a_code_goes_one_way_over_can(tmp_path):
    plan = load_plan(SWEEPS / "code-seek.toml")
    asked = loaded(tmp_path, ASKED + COOLANT)
    said = [(p.key, p.message) for p in search_problems(plan, asked, None)]
    assert [key for key, _ in said] == ["search.clear_codes"]
    assert "a search clears no codes of a real module" in said[0][1]
    kept = replace(plan, search=replace(plan.search, clear_codes=False))
    assert list(search_problems(kept, asked, None)) == []
    [problem] = search_problems(kept, loaded(tmp_path, HEARD), None)
    assert problem.message == "codes that are broadcast are taken before and after a run only"


def test_how_often_codes_are_read_is_stated(tmp_path):
    assert loaded(tmp_path, ASKED + COOLANT).can.codes_interval_s == 1.0
    assert loaded(tmp_path, ASKED + COOLANT + "codes_interval_s = 3\n").can.codes_interval_s == 3.0
