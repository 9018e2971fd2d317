"""Report steps and the two one-byte encodings, against the tables in tests/reference."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.module.encoding import PID_05, SPN_110, ByteEncoding, Rounding, quantise


def test_coolant_and_intake_bytes_are_those_of_the_standard(reference_rows):
    # SAE J1979 / ISO 15031-5 service 01, PID 05 and 0F: A - 40 (tests/reference/pid05_encoding.csv)
    for row in reference_rows("pid05_encoding.csv"):
        raw = int(row["byte_hex"], 16)
        assert PID_05.encode(float(row["t_degC"])) == raw
        assert PID_05.decode(raw) == float(row["t_degC"])
        for frame in (row["pid05_7E8_frame"], row["pid0F_7E8_frame"]):
            assert bytes.fromhex(frame)[3] == PID_05.encode(float(row["t_degC"]))


def test_engine_temperature_bytes_are_those_of_the_truck_standard(reference_rows):
    # SAE J1939-71 SPN 110 (tests/reference/j1939_spn110.csv; FB to FF from memory)
    for row in reference_rows("j1939_spn110.csv"):
        celsius = SPN_110.decode(int(row["raw_hex"], 16))
        try:
            expected = float(row["meaning"])
        except ValueError:
            assert celsius is None
        else:
            assert celsius == expected
            assert SPN_110.encode(expected) == int(row["raw_dec"])


@pytest.mark.parametrize(
    ("encoding", "celsius", "raw"),
    [(PID_05, -55.0, 0x00), (PID_05, 300.0, 0xFF), (SPN_110, 300.0, 0xFA)],
)
def test_beyond_the_byte_is_the_end_of_the_byte(encoding: ByteEncoding, celsius, raw):
    assert encoding.encode(celsius) == raw


def test_no_byte_is_refused():
    with pytest.raises(ValueError, match="256 is not a byte"):
        PID_05.decode(256)


@given(st.floats(-40.0, 215.0), st.sampled_from([0.1, 0.25, 0.5, 1.0, 2.0]))
def test_the_nearest_step_is_within_half_a_step(celsius, resolution):
    report = float(quantise(celsius, resolution_celsius=resolution, rounding=Rounding.NEAREST))
    assert abs(report - celsius) <= resolution / 2 + 1e-9
    assert report / resolution == pytest.approx(round(report / resolution), abs=1e-6)


@given(st.floats(-40.0, 215.0), st.sampled_from([0.1, 0.25, 0.5, 1.0, 2.0]))
def test_truncation_never_reports_more(celsius, resolution):
    report = float(quantise(celsius, resolution_celsius=resolution, rounding=Rounding.TRUNCATE))
    assert celsius - report + 1e-8 * resolution >= -1e-8
    assert celsius - report < resolution


def test_halfway_goes_up_and_truncation_goes_down():
    def steps(value, rounding):
        return float(quantise(value, resolution_celsius=1.0, rounding=rounding))

    assert [steps(v, Rounding.NEAREST) for v in (-0.5, 0.5, 1.5, 82.49)] == [0.0, 1.0, 2.0, 82.0]
    assert [steps(v, Rounding.TRUNCATE) for v in (-0.1, 0.9, 82.99)] == [-1.0, 0.0, 82.0]


def test_truncating_keeps_values_that_are_steps_already():
    for tenths in range(-400, 2000):
        celsius = tenths / 10
        kept = quantise(celsius, resolution_celsius=0.1, rounding=Rounding.TRUNCATE)
        assert float(kept) == pytest.approx(celsius, abs=1e-9)
