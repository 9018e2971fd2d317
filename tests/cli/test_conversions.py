"""`curve` and `nearest` against published values."""

from __future__ import annotations

import csv
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

REFERENCE = Path(__file__).resolve().parents[1] / "reference"

PT1000 = """\
format = "rungwise-sensor/1"
kind = "platinum"
reference_ohms = 1000
lowest_celsius = -200
highest_celsius = 850
"""

LADDER = """\
format = "rungwise-ladder/1"
name = "Six rungs"
relay_count = 6
lead_uncertainty_ohms = 0
[relays]
contact_uncertainty_ohms = 0

[[group]]
kind = "series"
rungs = [
  { relay = 0, ohms = 10 }, { relay = 1, ohms = 22 }, { relay = 2, ohms = 47 },
  { relay = 3, ohms = 100, tolerance_percent = 1.0 }, { relay = 4, ohms = 220 },
  { relay = 5, ohms = 470 },
]
"""


@pytest.fixture
def platinum(write: Callable[..., Path]) -> Path:
    return write("pt1000.toml", PT1000)


# IEC 60751:2022, table 1: Pt100 has 60.26 ohm at -100 degC, 138.51 at 100, 212.05 at 300, and so
# a Pt1000 ten times that, to the rounding of the table.
@pytest.mark.parametrize(
    ("celsius", "ohms"), [(-100, 602.6), (0, 1000), (100, 1385.1), (300, 2120.5)]
)
def test_curve_gives_published_resistances_both_ways(
    rungwise: Callable[..., Any], platinum: Path, celsius: float, ohms: float
) -> None:
    ended = rungwise("curve", platinum, "--at", f"{celsius}degC", "--ohms", ohms, "--json")
    assert ended.status == 0
    forward, back = ended.document["points"]
    assert set(forward) == {"celsius", "ohms", "uncertainty_celsius"}
    assert forward["celsius"] == celsius
    assert forward["ohms"] == pytest.approx(ohms, abs=0.051)
    assert back["ohms"] == ohms
    assert back["celsius"] == pytest.approx(celsius, abs=0.02)


def test_curve_takes_and_shows_degf(rungwise: Callable[..., Any], platinum: Path) -> None:
    document = rungwise("curve", platinum, "--at", "-40F", "--at", "212degF", "--json").document
    assert [point["celsius"] for point in document["points"]] == pytest.approx([-40, 100])
    shown = rungwise("curve", platinum, "--at", "100", "--fahrenheit").out
    assert "degF" in shown
    assert "212.000" in shown


def test_curve_without_values_prints_the_table_with_both_ends(
    rungwise: Callable[..., Any], platinum: Path
) -> None:
    points = rungwise("curve", platinum, "--json").document["points"]
    temperatures = [point["celsius"] for point in points]
    assert temperatures[0] == -200
    assert temperatures[-1] == 850
    assert temperatures == sorted(temperatures)
    assert 10 < len(points) < 60
    lines = rungwise("curve", platinum).out.splitlines()[2:]
    assert len(lines) == len(points)
    assert len({line.index(".") for line in lines}) == 1  # aligned at the decimal point


def test_curve_says_everything_that_is_wrong(rungwise: Callable[..., Any], platinum: Path) -> None:
    ended = rungwise("curve", platinum, "--at", "900", "--at", "warm", "--ohms", "-3", "--json")
    assert ended.status == 2
    assert len(ended.document["error"]["problems"]) == 3


def test_nearest_is_the_nearest_of_all_sums(
    rungwise: Callable[..., Any], write: Callable[..., Path]
) -> None:
    rungs = (10, 22, 47, 100, 220, 470)
    sums = [sum(chosen) for count in range(7) for chosen in combinations(rungs, count)]
    ladder = write("six.toml", LADDER)
    targets = [0, 33, 150, 333.3, 500, 868, 5000]
    ended = rungwise("nearest", ladder, *targets, "--json")
    assert ended.status == 0
    for target, found in zip(targets, ended.document["results"], strict=True):
        assert set(found) >= {"target_ohms", "state", "ohms", "error_ohms", "uncertainty_ohms"}
        assert found["target_ohms"] == target
        assert found["reached"] == (0 <= target <= sum(rungs))
        assert abs(found["error_ohms"]) == pytest.approx(min(abs(s - target) for s in sums))
        assert found["ohms"] == pytest.approx(target + found["error_ohms"])
        assert found["state"].startswith("0x")
        bypassed = int(found["state"], 16)
        assert found["ohms"] == pytest.approx(
            sum(ohms for relay, ohms in enumerate(rungs) if not bypassed >> relay & 1)
        )


def test_nearest_states_the_expanded_uncertainty(
    rungwise: Callable[..., Any], write: Callable[..., Path]
) -> None:
    # JCGM 100:2008, 4.3.7: 1 % of 100 ohm, rectangular, is 1/sqrt(3) ohm; times k = 2.
    (found,) = rungwise("nearest", write("six.toml", LADDER), 100, "--json").document["results"]
    assert found["uncertainty_ohms"] == pytest.approx(2 / 3**0.5)


def test_nearest_does_not_take_what_is_not_stated_for_nothing(
    rungwise: Callable[..., Any], write: Callable[..., Path]
) -> None:
    """5 % of 220 ohm, rectangular; with contacts and leads unstated too, more than that."""
    (found,) = rungwise("nearest", write("six.toml", LADDER), 220, "--json").document["results"]
    assert found["uncertainty_ohms"] == pytest.approx(2 * 11.0 / 3**0.5)
    bare = "\n".join(line for line in LADDER.splitlines() if "_uncertainty_ohms" not in line)
    ended = rungwise("nearest", write("bare.toml", bare), 220)
    assert "no tolerance_percent or uncertainty_ohms for the rungs of relays 0, 1" in ended.err
    assert "no contact_uncertainty_ohms: 0.05 ohm is taken" in ended.err
    assert "no lead_uncertainty_ohms: 0.05 ohm is taken" in ended.err
    (loose,) = rungwise("nearest", write("bare.toml", bare), 220, "--json").document["results"]
    # Five closed contacts and the leads, 0.05 ohm each.
    expected = 2 * (11.0**2 / 3 + 6 * 0.05**2) ** 0.5
    assert loose["uncertainty_ohms"] == pytest.approx(expected)


def test_nearest_finds_the_published_subset_sums(
    rungwise: Callable[..., Any], write: Callable[..., Path]
) -> None:
    # The file's first line says how its values were computed: all 4096 sums, contacts zero.
    rungs = (10, 20, 39, 82, 160, 330, 620, 1300, 2700, 5100, 10000, 20000)
    lines = ",\n".join(f"{{ relay = {i}, ohms = {ohms} }}" for i, ohms in enumerate(rungs))
    ladder = write(
        "e24.toml",
        f"""format = "rungwise-ladder/1"
name = "E24"
relay_count = 12
[relays]
contact_ohms = 0.0
[[group]]
kind = "series"
rungs = [
{lines}
]
""",
    )
    with (REFERENCE / "subset_ladder_e24.csv").open(encoding="utf-8") as file:
        published = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(published) > 5
    targets = [row["target_ohm"] for row in published]
    results = rungwise("nearest", ladder, *targets, "--json").document["results"]
    for row, found in zip(published, results, strict=True):
        assert abs(found["error_ohms"]) == pytest.approx(abs(float(row["error_ohm"])), abs=1e-6)


def test_nearest_can_be_judged_in_degc(
    rungwise: Callable[..., Any], write: Callable[..., Path], sweeps: Path
) -> None:
    # Between 10 and 22 ohm the middle in ohm is 16; an NTC's temperature falls with the logarithm,
    # so that 15.4 ohm (geometric mean 14.8) is nearer to 22 in degC and nearer to 10 in ohm.
    ladder = write("six.toml", LADDER)
    sensor = write(
        "ntc.toml",
        """\
format = "rungwise-sensor/1"
kind = "ntc-beta"
reference_ohms = 15
reference_celsius = 25
beta_kelvin = 3500
lowest_celsius = -20
highest_celsius = 120
""",
    )
    (by_ohms,) = rungwise("nearest", ladder, 15.4, "--json").document["results"]
    words = ("nearest", ladder, 15.4, "--sensor", sensor, "--json")
    (by_celsius,) = rungwise(*words).document["results"]
    assert (by_ohms["ohms"], by_celsius["ohms"]) == (pytest.approx(10), pytest.approx(22))


def test_a_ladder_written_as_the_format_says_loads(
    rungwise: Callable[..., Any], write: Callable[..., Path]
) -> None:
    ladder = write(
        "bench.toml",
        """\
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
kind = "series"
rungs = [
  { relay = 0, ohms = 1.0, tolerance_percent = 1.0 },
  { relay = 1, ohms = 2.0, tolerance_percent = 1.0 },
]

[[group]]
kind = "parallel"
rungs = [ { relay = 2, ohms = 470.0, uncertainty_ohms = 0.5, power_watts = 0.25,
            tempco_ppm_per_k = 50 } ]
""".replace("0.25,\n            t", "0.25, t"),
    )
    (found,) = rungwise("nearest", ladder, "473.2", "--json").document["results"]
    # By hand: 0.12 ohm of leads, 0.05 of the isolating contact, 1 and 2 ohm in circuit, and 470
    # ohm with its contact of 0.05.
    assert found["ohms"] == pytest.approx(0.12 + 0.05 + 1 + 2 + 470.05)
    assert found["state"] == "0x10004"
