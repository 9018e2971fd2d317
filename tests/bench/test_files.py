from __future__ import annotations

from pathlib import Path

import pytest

from controller.bench.default import default_bench, default_ladder
from controller.bench.files import load_bench
from controller.bench.model import LinkKind, ReadbackKind
from controller.bench.wiring import open_bench
from controller.clock import VirtualClock
from controller.errors import InputError
from controller.ladder.search import NearestSearch
from controller.module.faults import SeriesResistance
from controller.sensors.files import load_sensor

SWEEPS = Path(__file__).parents[2] / "sweeps"

HEAD = f'format = "rungwise-bench/1"\nladder = "{SWEEPS}/ladders/bench-16.toml"\n'
SIMULATED = '[link]\nkind = "simulated"\n[readback]\nkind = "simulated"\n'
MODULE = f'[simulation]\nmodule = "{SWEEPS}/modules/tern-aux-diesel.toml"\n'


def problems(tmp_path: Path, text: str) -> str:
    path = tmp_path / "bench.toml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        load_bench(path)
    return str(caught.value)


@pytest.mark.parametrize("path", sorted((SWEEPS / "benches").glob("*.toml")), ids=lambda p: p.stem)
def test_every_demo_bench_loads_and_only_those_at_a_port_drive_hardware(path):
    bench = load_bench(path)
    assert bench.path == path
    at_a_port = ("serial-example", "over-can", "pair-over-can", "practice-ascii", "practice-modbus")
    assert bench.drives_hardware is (path.stem in at_a_port)


def test_everything_a_bench_file_says(tmp_path):
    path = tmp_path / "b.toml"
    path.write_text(
        HEAD
        + 'name = "n"\nhold_off_ms = 900\n[link]\nkind = "simulated-pty"\n'
        + '[readback]\nkind = "typed"\nunit = "F"\n'
        + MODULE
        + 'seed = 9\nreading_interval_s = 0.5\n[[fault]]\nkind = "series-resistance"\nohms = 150\n'
    )
    bench = load_bench(path)
    assert (bench.name, bench.hold_off_ms, bench.seed) == ("n", 900, 9)
    assert (bench.link, bench.readback) == (LinkKind.SIMULATED_PTY, ReadbackKind.TYPED)
    assert (bench.typed_unit, bench.reading_interval_s) == ("F", 0.5)
    assert bench.faults == (SeriesResistance(ohms=150.0),)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD + SIMULATED, "simulation: is missing"),
        (HEAD + SIMULATED + MODULE + "hold_of_ms = 3\n", "hold_of_ms: unknown key"),
        (HEAD + "hold_off_ms = 100\n" + SIMULATED + MODULE, "at least 200"),
        (HEAD + "hold_off_ms = 60001\n" + SIMULATED + MODULE, "at most 60000"),
        (HEAD + SIMULATED.replace("simulated", "simulatd", 1) + MODULE, "did you mean simulated?"),
        (HEAD + SIMULATED + '[simulation]\nmodule = "gone.toml"\n', "there is no such file"),
        (HEAD.replace("bench-16", "gone") + SIMULATED + MODULE, "there is no such file"),
        (HEAD + '[link]\nkind = "serial"\n[readback]\nkind = "typed"\n', "url: is missing"),
        (
            HEAD + '[link]\nkind = "simulated"\nurl = "x"\n[readback]\nkind = "typed"\n' + MODULE,
            'belongs to kind = "serial"',
        ),
        (
            HEAD + '[link]\nkind = "serial"\nurl = "x"\n[readback]\nkind = "typed"\n' + MODULE,
            "nothing is simulated",
        ),
        (
            HEAD
            + '[link]\nkind = "serial"\nurl = "x"\n[readback]\nkind = "typed"\n'
            + '[[fault]]\nkind = "gain"\nfactor = 2\n',
            "only a simulated module",
        ),
        (HEAD + SIMULATED + MODULE + '[[fault]]\nkind = "gain"\nfactor = -1\n', "more than 0"),
        (HEAD.replace("bench/1", "bench/2") + SIMULATED, "format"),
    ],
)
def test_bad_benches_are_refused_with_what_to_do(tmp_path, text, expected):
    assert expected in problems(tmp_path, text)


def test_the_bench_without_a_file_reaches_the_whole_span_of_the_demo_sensor():
    sensor = load_sensor(SWEEPS / "sensors" / "tern-coolant.toml")
    bench = default_bench(sensor)
    search = NearestSearch(bench.ladder)
    for celsius in range(-40, 131, 5):
        ohms = float(sensor.curve.ohms(celsius))
        made = float(sensor.curve.celsius(search.nearest(ohms).ohms))
        assert abs(made - celsius) < 1.0
    assert bench.ladder == default_ladder()
    assert not bench.drives_hardware


def test_what_takes_real_time_is_not_opened_on_another_clock():
    bench = load_bench(SWEEPS / "benches" / "simulated-pty.toml")
    with pytest.raises(InputError, match="takes real time"):
        open_bench(bench, VirtualClock())
