"""Clearing a module's codes after a run: by name, confirmed on a terminal, or not at all."""

from __future__ import annotations

import getpass
import io
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from controller.bench.files import load_bench
from controller.cli.clear_codes import CLEARING, clear_codes, require_clearable
from controller.cli.output import Output
from controller.clock import VirtualClock
from controller.errors import InputError
from controller.module.model import ModuleReport
from controller.readback.can import port as port_module
from controller.records.reader import load_record
from controller.reports.text import report_text
from controller.run.events import CodesCleared, NoteMade
from controller.session.handover import page_of
from controller.stand_in.bus_pty import BusPty, Traffic
from controller.stand_in.module import DiagnosedModule, Identity

SWEEPS = Path(__file__).resolve().parents[2] / "sweeps"


class Typed(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def bus(monkeypatch):
    """A bus with two modules that hold codes, and what has been cleared of them."""
    monkeypatch.setattr(port_module, "WAKE_UP_S", 0.0)
    cleared: list[str] = []

    def module(number: int, code: str) -> DiagnosedModule:
        def codes() -> ModuleReport:
            held = () if code in cleared else (code,)
            return ModuleReport(celsius=20.0, volts=1.0, codes=held)

        identity = Identity.of(number, extended=False)
        return DiagnosedModule(codes, identity=identity, clear=lambda: cleared.append(code))

    nodes = [module(0, "P0118"), module(1, "U0100"), Traffic(100)]
    with BusPty(nodes) as adapter:
        bench = load_bench(SWEEPS / "benches" / "over-can.toml")
        assert bench.can is not None
        yield replace(bench, can=replace(bench.can, channel=adapter.path)), cleared, nodes[0]


def test_only_the_named_module_is_cleared_and_only_with_its_name(bus, monkeypatch, capsys):
    bench, cleared, _ = bus
    monkeypatch.setattr(sys, "stdin", Typed("yes\n"))
    refused = clear_codes(bench, "7E8", Output(), VirtualClock())
    assert isinstance(refused, NoteMade)
    assert refused.text == "module 7E8: Codes were not cleared: not confirmed; no code was cleared"
    said = capsys.readouterr().err
    assert "Module 7E8 holds: P0118" in said
    assert CLEARING.split(";")[0][:60] in said
    assert "Codes were not cleared: not confirmed" in said
    assert cleared == []
    monkeypatch.setattr(sys, "stdin", Typed("7e8\n"))
    done = clear_codes(bench, "7E8", Output(), VirtualClock())
    assert isinstance(done, CodesCleared)
    assert (done.module, done.before, done.after) == ("7E8", ("P0118",), ())
    assert "Cleared; module 7E8 now holds: no codes" in capsys.readouterr().err
    assert cleared == ["P0118"]


def test_what_goes_wrong_is_said_and_clears_nothing(bus, monkeypatch, capsys):
    bench, cleared, module = bus
    monkeypatch.setattr(sys, "stdin", Typed("7EA\n7E8\n"))
    clear_codes(bench, "7EA", Output(), VirtualClock())
    assert "module 7EA does not answer; these do: 7E8, 7E9" in capsys.readouterr().err
    module.refuses = {0x04: 0x22}
    monkeypatch.setattr(sys, "stdin", Typed("7E8\n"))
    clear_codes(bench, "7E8", Output(), VirtualClock())
    assert "refuses to clear its codes: 7F 04 22" in capsys.readouterr().err
    assert cleared == []


def test_it_is_refused_before_anything_is_driven(monkeypatch):
    over_can = load_bench(SWEEPS / "benches" / "over-can.toml")
    monkeypatch.setattr(sys, "stdin", Typed(""))
    require_clearable(over_can, "7E8")
    require_clearable(over_can, None)
    with pytest.raises(InputError, match="only where the bench asks the module over CAN"):
        require_clearable(load_bench(SWEEPS / "benches" / "simulated.toml"), "7E8")
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    with pytest.raises(InputError, match="confirmed on a terminal; --yes is not for that"):
        require_clearable(over_can, "7E8")


@pytest.mark.soak
@pytest.mark.pty
def test_after_a_check_over_two_ports(tmp_path, brisk):
    """Open and short set codes in the stand-in; a person then has them cleared."""
    bench = tmp_path / "bench.toml"
    text = (brisk / "benches" / "over-can.toml").read_text()
    bench.write_text(text.replace("../ladders", str(brisk / "ladders")))
    ours, theirs = os.openpty()
    os.write(ours, b"7E8\n")
    done = subprocess.run(
        [
            *(sys.executable, "-m", "rungwise", "stand-in"),
            *(str(brisk / "benches" / "simulated.toml"), "--run", "check"),
            *(str(brisk / "coolant-check.toml"), "--bench", str(bench), "--yes"),
            *("--clear-codes", "7E8", "--record", "run.jsonl"),
        ],
        cwd=tmp_path,
        env=dict(os.environ, NO_COLOR="1"),
        stdin=theirs,
        capture_output=True,
        text=True,
        timeout=300,
    )
    for end in (ours, theirs):
        os.close(end)
    assert done.returncode == 0, done.stderr
    assert "new in the module since before the run: P0117" in done.stdout
    assert "Module 7E8 holds: P0118, P0117" in done.stderr
    assert "Cleared; module 7E8 now holds: " in done.stderr
    record = load_record(tmp_path / "run.jsonl")
    assert record.closing is not None
    [cleared] = [line for line in record.lines if line["type"] == "cleared"]
    assert cleared["seq"] == record.closing["seq"] - 1
    assert (cleared["module"], cleared["by"]) == ("7E8", getpass.getuser())
    assert cleared["before"][:2] == ["P0118", "P0117"]
    assert not set(cleared["after"]) & {"P0118", "P0117"}
    since = f"module 7E8, by {getpass.getuser()}: before P0118, P0117"
    assert since in report_text(record)
    assert since in page_of([record])
