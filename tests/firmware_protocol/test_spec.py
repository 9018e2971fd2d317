"""SPEC.md says what the code does: its examples and its tables."""

from __future__ import annotations

import re
from pathlib import Path

from firmware_protocol import examples, framing, messages
from firmware_protocol.conformance import bench
from firmware_protocol.messages import ErrorCode, Flag, Kind

HERE = Path(examples.__file__).parent
SPEC = (HERE / "SPEC.md").read_text("utf-8")
CORE = HERE / "firmware" / "core"
TABLES = examples.vectors("tables")


def test_the_examples_are_those_of_the_vectors() -> None:
    after = SPEC.split(examples.HEADING, 1)[1]
    written = examples.HEADING + after.split("\n## ", 1)[0]
    assert written.strip() == examples.section().strip()


def rows(section: str, cells: str) -> list[tuple[str, ...]]:
    """Return the first cells of each row of the table in a section of the page."""
    part = SPEC.split(f"\n## {section}", 1)[1].split("\n## ", 1)[0]
    return re.findall(rf"^\| {cells} \|", part, re.MULTILINE)


def defined(header: str, prefix: str = "") -> dict[str, int]:
    """Return the numbers that a source of the C core gives names to."""
    text = (CORE / header).read_text("utf-8")
    found = re.findall(rf"(?:#define )?\b{prefix}([A-Z_]+)\b(?: =)? (0x[0-9A-F]+|\d+)U?\b", text)
    return {name: int(value, 0) for name, value in found}


def upper(name: str) -> str:
    return re.sub("[ -]", "_", name).upper()


def test_the_table_of_requests() -> None:
    requests = {row["name"]: row["type"] for row in TABLES["requests"]}
    assert {name: int(code, 16) for code, name in rows("7. ", r"(0x\w+) \| ([a-z-]+)")} == requests
    assert {upper(name): code for name, code in requests.items()} == {k.name: k for k in Kind}
    core = defined("rung_core.h", "RUNG_")
    for row in TABLES["requests"]:
        assert messages.reply_type(row["type"]) == row["reply_type"]
        assert core[upper(row["name"])] == row["type"]
        assert row["type"] | core["REPLY_BIT"] == row["reply_type"]
    assert messages.ERROR_TYPE == core["ERROR"] == TABLES["error_type"]
    assert f"Type {TABLES['error_type']:#X}".replace("0X", "0x") in SPEC


def test_the_table_of_errors() -> None:
    errors = TABLES["errors"]
    assert {name: int(code) for code, name in rows("8. ", r"(\d) \| `([a-z-]+)`")} == errors
    assert {upper(name): code for name, code in errors.items()} == {c.name: c for c in ErrorCode}
    core = defined("rung_core.h", "RUNG_")
    assert {upper(name): core[upper(name)] for name in errors} == {c.name: c for c in ErrorCode}


def test_the_table_of_flags() -> None:
    bits = TABLES["status_bits"]
    assert {name: int(bit) for bit, name in rows("6. ", r"(\d) \| `([a-z -]+)`")} == bits
    flags = {upper(name): 1 << bit for name, bit in bits.items()}
    assert flags == {flag.name: flag.value for flag in Flag}
    core = defined("rung_core.h", "RUNG_")
    assert {name: core[name] for name in flags} == flags
    assert sum(1 << bit for bit in TABLES["interlock_bits"]) == messages.INTERLOCK
    listed = ", ".join(map(str, TABLES["interlock_bits"][:-1]))
    assert f"Bits {listed} and {TABLES['interlock_bits'][-1]} are the *interlock*" in SPEC


def test_the_table_of_times() -> None:
    timing = TABLES["timing"]
    assert dict(rows("9. ", r"([a-z ]+) \| (\d[^|]*)")) == timing
    assert timing["reply"] == f"{messages.REPLY_WITHIN_MS} ms"
    assert timing["repeat"] == f"{messages.REPEAT_AFTER_MS} ms"
    assert timing["tries"] == str(messages.TRIES)
    assert timing["tries of identify"] == str(messages.TRIES_TO_WAKE)
    assert timing["late"] == f"{messages.LATEST_MS} ms"
    assert timing["clock"] == f"{bench.CLOCK_TOLERANCE * 100:.0f} %"
    # A board that boots for as long as it may still hears the last identify.
    boot_ms = int(timing["boot"].split()[0])
    assert boot_ms < (messages.TRIES_TO_WAKE - 1) * messages.REPEAT_AFTER_MS
    assert defined("rung_relays.c")["LATENESS_MOST_MS"] == messages.LATEST_MS


def test_the_limits() -> None:
    limits = TABLES["limits"]
    assert limits == {
        "relays": messages.MOST_RELAYS,
        "path": messages.MOST_PATH,
        "payload": framing.LARGEST_PAYLOAD,
        "name": messages.LONGEST_NAME,
        "hold_ms": messages.LONGEST_HOLD_MS,
        "hold_off_least_ms": messages.SHORTEST_HOLD_OFF_MS,
        "hold_off_most_ms": messages.LONGEST_HOLD_OFF_MS,
        "hold_off_at_start_ms": messages.HOLD_OFF_AT_START_MS,
    }
    core = defined("rung_core.c") | defined("rung_relays.c")
    assert core["HOLD_OFF_LEAST_MS"] == limits["hold_off_least_ms"]
    assert core["HOLD_OFF_MOST_MS"] == limits["hold_off_most_ms"]
    assert core["HOLD_MOST_MS"] == limits["hold_ms"]
    assert core["HOLD_OFF_AT_START_MS"] == limits["hold_off_at_start_ms"]
    text = " ".join(SPEC.split())
    assert f"each hold is 1 to {limits['hold_ms']} ms" in text
    least, most = limits["hold_off_least_ms"], limits["hold_off_most_ms"]
    assert f"{least} to {most} sets it" in text
    assert f"The time at power-up is {limits['hold_off_at_start_ms']} ms" in text
    assert f"`relay_count` is 1 to {limits['relays']}" in text
    assert f"`max_path` is 1 to {limits['path']}" in text
    assert f"`name` is 0 to {limits['name']} bytes" in text
    assert f"never more than {limits['payload']}" in text


def test_nothing_in_the_core_is_shifted_into_the_sign() -> None:
    """Where int has 16 bits, a byte must be widened before it is shifted up by eight."""
    for source in sorted([*CORE.glob("*.c"), *CORE.glob("*.h")]):
        for line in source.read_text("utf-8").splitlines():
            if "<< 8" in line:
                assert re.search(r"\(uint16_t\)[a-z]+(\[\d\])? << 8|\(crc << 8\)", line), line
