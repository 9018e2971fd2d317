"""The [link] of a bench file for boards that the host times: TOML to a `Board`.

[link]
kind = "modbus-rtu"               # extra: rungwise[modbus]
url = "/dev/ttyUSB0"
baud = 9600
outputs = 16                      # how many the board has
step_ms = 60                      # longest time of one change: `rungwise links --bench` measures it
unit = 1                          # these four have defaults
first_coil = 0                    # an address, counted from 0
parity = "none"                   # or "even", "odd"
stop_bits = 1

[link]
kind = "ascii"                    # lines of text; the patterns are explained in the README
url = "/dev/ttyACM0"
outputs = 16
step_ms = 40
[link.words]
set = "relays {hex}"
set_reply = "relays {hex}"        # leave out where a set is not answered
read = "relays?"
read_reply = "relays {hex}"
identify = "who?"                 # both or neither
identify_reply = "{name}"
ending = "\\r\\n"
echo = false                      # true where the board repeats each command

Both kinds take answer_ms, wait_out_ms, guardian and declared_name as well (see `Board`).
"""

from __future__ import annotations

from typing import Any

from controller.documents import Table
from controller.ladder.model import Ladder
from controller.links.ascii_words import pattern_problem
from controller.links.boards import AsciiBoard, Board, ModbusBoard

__all__ = ["board_of_link"]

LONGEST_STEP_MS = 5000
MOST_OUTPUTS = 64


def board_of_link(table: Table, kind: str, ladder: Ladder | None) -> Board:
    """Return the board that a link table declares; notes every problem in the table."""
    common: dict[str, Any] = {
        "url": table.text("url"),
        "baud": table.integer("baud", default=9600, least=300),
        "outputs": table.integer("outputs", least=1, most=MOST_OUTPUTS),
        "step_ms": table.integer("step_ms", least=1, most=LONGEST_STEP_MS),
        "answer_s": table.integer("answer_ms", default=300, least=10, most=500) / 1000,
        "wait_out_s": table.integer("wait_out_ms", default=1000, least=0, most=10_000) / 1000,
        "guardian": table.boolean("guardian", default=True),
        "declared_name": table.optional_text("declared_name"),
    }
    if ladder is not None and 0 < common["outputs"] < ladder.relay_count:
        table.problem(
            "outputs",
            f"the ladder {ladder.name!r} has {ladder.relay_count} relays, more than this board",
            hint="name another ladder, or a board with more outputs",
        )
    if kind == ModbusBoard.kind:
        if common["declared_name"] is not None:
            table.problem("declared_name", "Modbus coils do not say who they are", hint="remove it")
        return ModbusBoard(
            **common,
            unit=table.integer("unit", default=1, least=1, most=247),
            first_coil=table.integer("first_coil", default=0, least=0, most=65_535),
            parity=table.choice("parity", ("none", "even", "odd"), default="none"),
            stop_bits=table.integer("stop_bits", default=1, least=1, most=2),
        )
    return _ascii_board(table, table.table("words"), common)


def _ascii_board(link: Table, words: Table, common: dict[str, Any]) -> AsciiBoard:
    ending = words.text("ending", default="\r\n")
    if not ending or not set(ending) <= {"\r", "\n"}:
        words.problem("ending", 'must be "\\r", "\\n" or both')
    board = AsciiBoard(
        **common,
        set=_pattern(words, "set", words.text("set"), states=1),
        set_reply=_optional(words, "set_reply", states=None),
        read=_pattern(words, "read", words.text("read"), states=0),
        read_reply=_pattern(words, "read_reply", words.text("read_reply"), states=1, reply=True),
        identify=_optional(words, "identify", states=0, reply=False),
        identify_reply=_optional(words, "identify_reply", states=0),
        ending=ending,
        echo=words.boolean("echo", default=False),
    )
    if (board.identify is None) is not (board.identify_reply is None):
        missing = "identify_reply" if board.identify_reply is None else "identify"
        words.problem(missing, "is missing: identify and identify_reply belong together")
    if board.declared_name is not None and board.identify is None:
        link.problem("declared_name", "is checked by asking: state identify and identify_reply too")
    return board


def _optional(words: Table, key: str, *, states: int | None, reply: bool = True) -> str | None:
    pattern = words.optional_text(key)
    if pattern is None:
        return None
    return _pattern(words, key, pattern, states=states, reply=reply)


def _pattern(
    words: Table, key: str, pattern: str, *, states: int | None, reply: bool = False
) -> str:
    """Return a pattern; notes what is wrong with it. With `states` None a state may stand in it."""
    counts = (0, 1) if states is None else (states,)
    problems = [pattern_problem(pattern, states=count, reply=reply) for count in counts]
    if pattern and all(problems):
        words.problem(key, str(problems[-1]))
    return pattern
