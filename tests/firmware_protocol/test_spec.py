"""SPEC.md says what the code does: its examples and its tables."""

from __future__ import annotations

import re
from pathlib import Path

from firmware_protocol import examples, messages
from firmware_protocol.messages import ErrorCode, Flag, Kind

SPEC = Path(examples.__file__).with_name("SPEC.md").read_text("utf-8")


def test_the_examples_are_those_of_the_vectors() -> None:
    after = SPEC.split(examples.HEADING, 1)[1]
    written = examples.HEADING + after.split("\n## ", 1)[0]
    assert written.strip() == examples.section().strip()


def test_the_table_of_requests() -> None:
    rows = re.findall(r"^\| (0x[0-9a-f]{2}) \| ([a-z-]+) \|", SPEC, re.MULTILINE)
    assert {name.replace("-", "_").upper(): int(code, 16) for code, name in rows} == {
        kind.name: kind.value for kind in Kind
    }


def test_the_table_of_errors() -> None:
    rows = re.findall(r"^\| (\d) \| `([a-z-]+)` \|", SPEC.split("## 8. Errors")[1], re.MULTILINE)
    assert {name.replace("-", "_").upper(): int(code) for code, name in rows} == {
        code.name: code.value for code in ErrorCode
    }


def test_the_table_of_flags() -> None:
    part = SPEC.split("## 6. Status byte")[1].split("## 7.")[0]
    rows = re.findall(r"^\| (\d) \| `([a-z -]+)` \|", part, re.MULTILINE)
    assert {re.sub("[ -]", "_", name).upper(): 1 << int(bit) for bit, name in rows} == {
        flag.name: flag.value for flag in Flag
    }


def test_the_numbers_in_the_text() -> None:
    text = " ".join(SPEC.split())
    assert f"each hold is 1 to {messages.LONGEST_HOLD_MS} ms" in text
    shortest, longest = messages.SHORTEST_HOLD_OFF_MS, messages.LONGEST_HOLD_OFF_MS
    assert f"{shortest} to {longest} sets it" in text
    assert f"The time at power-up is {messages.HOLD_OFF_AT_START_MS} ms" in text
    assert f"`relay_count` is 1 to {messages.MOST_RELAYS}" in text
    assert f"`max_path` is 1 to {messages.MOST_PATH}" in text
    assert f"`name` is 0 to {messages.LONGEST_NAME} bytes" in text
