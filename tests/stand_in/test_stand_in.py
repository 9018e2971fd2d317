"""What stands in for ladder and module: the standards, the ports, and whole sweeps over them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections import deque
from pathlib import Path

import isotp
import pytest

from controller.bench.files import load_bench
from controller.errors import InputError
from controller.module.model import ModuleReport
from controller.stand_in.bus_pty import Traffic
from controller.stand_in.line_adapter import LineAdapter
from controller.stand_in.module import DiagnosedModule, Wire
from controller.stand_in.workshop import standing_in

ROOT = Path(__file__).parents[2]
SWEEPS = ROOT / "sweeps"

CODES = tuple(f"P{0x0100 + n:04X}" for n in range(30))


def module(**named):
    return DiagnosedModule(lambda: ModuleReport(celsius=83.0, volts=1.0, codes=CODES), **named)


# Long answers, with can-isotp (PyPI) as the tester


class Asker:
    def __init__(self, stand_in, **parameters):
        self.stand_in = stand_in
        self.now_s = 0.0
        self.inbox = deque()
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
        self.layer = isotp.TransportLayerLogic(
            rxfn=lambda _timeout: self.inbox.popleft() if self.inbox else None,
            txfn=self.sent,
            address=address,
            params={"stmin": 0, "blocksize": 0, "tx_padding": 0, **parameters},
        )

    def sent(self, message):
        wire = Wire(message.arbitration_id, False, bytes(message.data))
        self.stand_in.hear(wire, self.now_s)

    def ask(self, request):
        self.layer.send(request)
        for _ in range(100):
            self.layer.process()
            for wire in self.stand_in.leaving(self.now_s):
                self.inbox.append(
                    isotp.CanMessage(arbitration_id=wire.identifier, dlc=8, data=wire.data)
                )
            self.now_s += 0.01
        return bytes(self.layer.recv()) if self.layer.available() else None


def test_an_independent_tester_reads_it():
    tester = Asker(module())
    assert tester.ask(b"\x01\x05") == b"\x41\x05\x7b"
    long = tester.ask(b"\x03")
    assert long == bytes([0x43, 30]) + b"".join(bytes([1, n]) for n in range(30))
    assert tester.ask(b"\x05") == b"\x7f\x05\x11"


def test_it_stops_when_the_tester_has_no_room():
    assert Asker(module(), max_frame_size=20).ask(b"\x03") is None


def test_wait_puts_it_off_and_anything_else_gives_it_up():
    def after(*flows):
        stand_in = module()
        stand_in.hear(Wire(0x7E0, False, b"\x01\x03"), 0.0)
        assert [w.data[0] for w in stand_in.leaving(1.0)] == [0x10]
        for flow in flows:
            stand_in.hear(Wire(0x7E0, False, bytes([flow, 0, 0])), 1.0)
        return len(stand_in.leaving(9.0))

    assert (after(), after(0x31), after(0x32), after(0x32, 0x30)) == (0, 0, 0, 0)
    assert after(0x30) == after(0x31, 0x30) == 8


# The adapter


def test_lines_of_the_adapter():
    heard = []
    adapter = LineAdapter(heard.append)
    assert adapter.receive(b"t7DF8\r") == b"\x07"  # closed
    assert adapter.receive(b"O\r") == b"\x07"  # no bit rate yet
    assert adapter.receive(b"S6\rL\r") == b"\r\r"
    assert adapter.receive(b"t7DF20105\r") == b"\x07"  # only listening
    assert adapter.deliver(Wire(0x7E8, False, b"\x03\x41\x05\x7b")) == b"t7E840341057B\r"
    assert adapter.receive(b"C\rO\r") == b"\r\r"
    assert adapter.receive(b"t7DF201") == b""
    assert adapter.receive(b"05\rT18DB33F120105\r") == b"z\rZ\r"
    assert heard == [Wire(0x7DF, False, b"\1\5"), Wire(0x18DB33F1, True, b"\1\5")]
    assert adapter.receive(b"t7DF9\rt7DF20\rX\rV\r\r") == b"\x07\x07\x07V0101\r\r"
    assert adapter.sent == 2
    assert not adapter.disturbed
    assert adapter.receive(b"C\rS5\rO\r") == b"\r\r\r"
    assert adapter.disturbed
    assert adapter.deliver(Wire(0x7E8, False, b"")) == b""


def test_traffic_comes_at_its_rate():
    traffic = Traffic(3000)
    traffic.leaving(0.0)
    assert len(traffic.leaving(1.0)) == 3000
    assert traffic.next_s() == pytest.approx(1.0 + 1 / 3000)
    assert Traffic(0).leaving(1.0) == []


# The two ports


def test_the_ports_are_there_as_long_as_they_are_needed(tmp_path):
    bench = load_bench(SWEEPS / "benches" / "simulated.toml")
    folder = tmp_path / "stand-in"
    with standing_in(bench, folder) as ports:
        assert {p.name for p in folder.iterdir()} == {"ladder", "can"}
        assert ports.ladder.is_char_device()
        assert ports.bus.is_char_device()
    assert not folder.exists()
    folder.mkdir()
    (folder / "can").write_text("mine")
    with pytest.raises(InputError, match="can: cannot be made"), standing_in(bench, folder):
        pass
    assert (folder / "can").read_text() == "mine"
    assert not (folder / "ladder").exists()


def rungwise(folder, *words, status):
    done = subprocess.run(
        [sys.executable, "-m", "rungwise", *words],
        cwd=folder,
        env=dict(os.environ, NO_COLOR="1"),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == status, done.stderr
    return done


def bench_file(folder, **changes):
    text = (SWEEPS / "benches" / "over-can.toml").read_text()
    text = text.replace("../ladders", str(SWEEPS / "ladders"))
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    path = folder / "bench.toml"
    path.write_text(text)
    return path


def test_a_bench_without_a_module_cannot_stand_in(tmp_path):
    said = rungwise(tmp_path, "stand-in", str(bench_file(tmp_path)), status=2).stderr
    assert "names no module to simulate" in said


def test_without_a_verb_the_ports_stay_until_the_end_is_asked_for(tmp_path):
    import signal

    with subprocess.Popen(
        [
            *(sys.executable, "-m", "rungwise", "stand-in"),
            str(SWEEPS / "benches" / "simulated.toml"),
        ],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        assert running.stderr is not None
        assert "Simulated: the ladder at stand-in/ladder" in running.stderr.readline()
        assert "Ctrl-C" in running.stderr.readline()
        assert (tmp_path / "stand-in" / "can").is_char_device()
        running.send_signal(signal.SIGINT)
        assert running.wait(30) == 0
    assert not (tmp_path / "stand-in").exists()


def test_nothing_is_driven_where_nothing_answers(tmp_path):
    """No module lists the oil: refused, with exit status 2, before a relay moves."""
    bench = bench_file(tmp_path, oil=('quantity = "coolant"', 'quantity = "oil"'))
    done = rungwise(
        tmp_path,
        *("stand-in", str(SWEEPS / "benches" / "simulated.toml")),
        *("--run", "sweep", str(SWEEPS / "coolant-quick.toml"), "--bench", str(bench), "--yes"),
        *("--record", "run.jsonl"),
        status=2,
    )
    assert "no module lists oil (parameter 5C); these answered: 7E8" in done.stderr
    assert "Driving" not in done.stderr
    assert '"type":"set","' not in (tmp_path / "run.jsonl").read_text().replace(" ", "")


@pytest.mark.soak
@pytest.mark.pty
@pytest.mark.parametrize("traffic", [0, 3000])
@pytest.mark.parametrize("simulated", ["simulated", "simulated-corroded"])
def test_a_sweep_over_two_ports_gives_the_verdicts_of_one_in_memory(tmp_path, traffic, simulated):
    """In real time: ladder and adapter each behind a pseudo-terminal, the bus idle or busy."""
    plan, behind = SWEEPS / "coolant-quick.toml", SWEEPS / "benches" / f"{simulated}.toml"
    status = 0 if simulated == "simulated" else 1
    in_memory = rungwise(
        tmp_path, "sweep", str(plan), "--bench", str(behind), "--json", status=status
    )
    silent = ("silent_bus = true",) if traffic == 0 else ()
    bench = bench_file(
        tmp_path, more=("interval_s = 0.2", "\n".join(["interval_s = 0.2", *silent]))
    )
    began_s = time.monotonic()
    over_can = rungwise(
        tmp_path,
        *("stand-in", str(behind), "--traffic", str(traffic)),
        *(
            "--run",
            "sweep",
            str(plan),
            "--bench",
            str(bench),
            "--yes",
            "--json",
            "--record",
            "run.jsonl",
        ),
        status=status,
    )
    assert time.monotonic() - began_s < 300
    wanted, found = (json.loads(done.stdout) for done in (in_memory, over_can))
    keys = ("state", "reported_celsius", "error_celsius", "verdict", "settled")
    assert [[step[key] for key in keys] for step in found["steps"]] == [
        [step[key] for key in keys] for step in wanted["steps"]
    ]
    assert found["verdict"] == wanted["verdict"]
    replayed = rungwise(tmp_path, "replay", "run.jsonl", status=status)
    assert "steps judged" in replayed.stdout


def test_a_pair_cannot_be_broadcast(tmp_path):
    pair = str(SWEEPS / "benches" / "simulated-pair.toml")
    said = rungwise(tmp_path, "stand-in", pair, "--broadcasts", status=2).stderr
    assert "broadcasts one temperature, and this bench has two inputs" in said


@pytest.mark.soak
@pytest.mark.pty
def test_a_pair_over_one_bus_gives_the_verdicts_of_one_in_memory(tmp_path):
    """Two ladders and one adapter, each behind a pseudo-terminal; the air input is corroded."""
    behind = tmp_path / "pair.toml"
    text = (SWEEPS / "benches" / "simulated-pair.toml").read_text()
    fault = '\n[[second.fault]]\nkind = "series-resistance"\nohms = 400\n'
    behind.write_text(text.replace("../", f"{SWEEPS}/") + fault)
    bench = tmp_path / "bench.toml"
    text = (SWEEPS / "benches" / "pair-over-can.toml").read_text()
    bench.write_text(text.replace("../", f"{SWEEPS}/"))
    plan = str(SWEEPS / "coolant-and-air.toml")
    in_memory = rungwise(tmp_path, "sweep", plan, "--bench", str(behind), "--json", status=1)
    over_can = rungwise(
        tmp_path,
        *("stand-in", str(behind), "--run", "sweep", plan, "--bench", str(bench)),
        *("--yes", "--json", "--record", "run.jsonl"),
        status=1,
    )
    wanted, found = (json.loads(done.stdout) for done in (in_memory, over_can))
    keys = ("state", "reported_celsius", "error_celsius", "verdict", "settled")

    def told(document):
        steps = document["steps"]
        return [[one[key] for key in keys] for step in steps for one in (step, step["second"])]

    assert told(found) == told(wanted)
    assert {step["verdict"] for step in found["steps"]} == {"pass"}
    assert "fail" in {step["second"]["verdict"] for step in found["steps"]}
    assert "steps judged" in rungwise(tmp_path, "replay", "run.jsonl", status=1).stdout
