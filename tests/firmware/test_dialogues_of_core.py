"""The dialogues of the vectors, spoken with the C core.

Replies must be those of the vectors byte for byte, at the same counter. Latches must be the same
states in the same order; the core rounds the running millisecond up, so they may be late as far as
SPEC.md allows, and never early.
"""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from firmware_protocol.conformance.bench import COUNTER, LATEST_MS
from firmware_protocol.framing import Frame, encode_frame

pytestmark = pytest.mark.toolchain

VECTORS = Path(__file__).parents[2] / "firmware_protocol" / "vectors"
DIALOGUES = json.loads((VECTORS / "dialogues.json").read_text())["dialogues"]
SENSE = "sense"
"""The host port's converter has a scale of its own; the conformance checks hold `sense`."""


def _choices(config: dict[str, Any]) -> list[str]:
    """Return the arguments of make that build the board a dialogue is for."""

    defines = [
        f"-DRUNG_MAX_PAYLOAD={config['max_payload']}",
        f'-DRUNG_NAME="{config["name"]}"',
    ]
    choices = [
        f"RELAYS={config['relay_count']}",
        f"PARK={config['park_state']:#x}",
        f"MAX_PATH={config['max_path']}",
        "DEFINES=" + " ".join(f"'{define}'" for define in defines),
    ]
    if config["forbidden"]:
        (forbidden,) = config["forbidden"]
        choices.append(f"FORBIDDEN={forbidden:#x}")
    return choices


def _frame(text: str) -> bytes:
    data = bytes.fromhex(text)
    return encode_frame(Frame(type=data[0], sequence=data[1], body=data[2:]))


@pytest.fixture(params=[d for d in DIALOGUES if d["name"] != SENSE], ids=lambda d: d["name"])
def dialogue(request: pytest.FixtureRequest) -> dict[str, Any]:
    assert isinstance(request.param, dict)
    return request.param


def test_core_speaks_the_dialogue(
    dialogue: dict[str, Any], builds: Any, boards: ModuleType
) -> None:
    config = dialogue["config"]
    choices = _choices(config)
    program = builds.variant(*choices)
    start_ms = config["counter_ms"]
    command = [program, "--clock", start_ms % 0x10000, "--boots", (config["boots"] - 1) % 0x10000]
    command.append("--no-converter")
    with closing(boards.HostBoard(command, boot_ms=0, counter_ms=start_ms)) as board:
        for index, step in enumerate(dialogue["steps"]):
            elapsed_ms = (step["at_ms"] - start_ms) % COUNTER
            board.advance(max(0, elapsed_ms - board.now_us // 1000))
            where = f"step {index}: {step}"
            if "event" in step:
                assert step["event"] in ("restart", "fault"), where
                board.command(step["event"])
                continue
            raw = step.get("send_raw", "")
            board.send(bytes.fromhex(raw) if raw else _frame(step["send"]))
            reply = board.receive(0)
            assert reply == (_frame(step["expect"]) if step["expect"] else b""), where
        board.advance(0)
        latched = board.latches()
    changes = [entry for i, entry in enumerate(latched) if not i or entry[1] != latched[i - 1][1]]
    assert [state for _, state in changes] == [state for _, state in dialogue["latched"]]
    for (at_ms, _), (due_ms, _) in zip(changes, dialogue["latched"], strict=True):
        assert (at_ms - due_ms) % COUNTER <= LATEST_MS, (changes, dialogue["latched"])


def test_only_the_dialogue_on_sense_is_left_out() -> None:
    assert [d["name"] for d in DIALOGUES if d["config"]["sense"]] == [SENSE]
