"""Oracles and helpers for the protocol's tests.

Oracles: the PyPI packages `crccheck` and `cobs`, written by others for the same open definitions.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740

VECTORS = Path(__file__).parents[2] / "firmware_protocol" / "vectors"


def oracle_frame(head: bytes) -> bytes:
    """Frame type, sequence and body with the oracles alone."""
    return cobs.encode(head + Crc16Ibm3740.calc(head).to_bytes(2, "little")) + b"\x00"


@pytest.fixture(scope="session")
def framed() -> Callable[[bytes], bytes]:
    return oracle_frame


@pytest.fixture(scope="session")
def vector_file() -> Callable[[str], dict[str, Any]]:
    return lambda name: json.loads((VECTORS / f"{name}.json").read_text("utf-8"))
