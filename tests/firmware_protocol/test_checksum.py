"""CRC-16/IBM-3740 against the published check value and an independent implementation."""

from __future__ import annotations

import csv
from pathlib import Path

from crccheck.crc import Crc16Ibm3740
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.checksum import crc16

REFERENCE = Path(__file__).parents[1] / "reference" / "crc_check.csv"


def test_check_value_of_the_catalogue() -> None:
    rows = csv.DictReader(REFERENCE.read_text("utf-8").splitlines()[1:])
    ours = {row["name"]: row for row in rows}["CRC-16/IBM-3740"]
    assert crc16(b"123456789") == int(ours["check_hex"], 16)


def test_no_other_checksum_of_the_catalogue_has_our_check_value() -> None:
    rows = list(csv.DictReader(REFERENCE.read_text("utf-8").splitlines()[1:]))
    assert len(rows) > 1
    same = [row["name"] for row in rows if int(row["check_hex"], 16) == crc16(b"123456789")]
    assert same == ["CRC-16/IBM-3740"]


@given(st.binary(min_size=1, max_size=300))
def test_equals_crccheck(data: bytes) -> None:
    assert crc16(data) == Crc16Ibm3740.calc(data)


def test_vectors(vector_file) -> None:
    cases = vector_file("crc")["cases"]
    assert cases
    for case in cases:
        data = bytes.fromhex(case["data_hex"])
        assert crc16(data) == case["crc"], case["name"]
        if data:  # the oracle refuses nothing at all
            assert Crc16Ibm3740.calc(data) == case["crc"], case["name"]
