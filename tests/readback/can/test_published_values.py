"""Published tables: tests/reference names the source of each in its first line."""

from __future__ import annotations

from controller.readback.can.frames import Addressing, Frame
from controller.readback.can.isotp import CLEAR_TO_SEND, Reassembly, single_frame
from controller.readback.can.j1939 import Temperature
from controller.readback.can.services import (
    CLEAR_CODES,
    CODE_QUESTIONS,
    Quantity,
    Service,
    code_text,
    codes_in,
    pid_question,
    refusal,
)


def test_parameters_05_and_0f(reference_rows):
    for row in reference_rows("pid05_encoding.csv"):
        for column, quantity in (
            ("pid05_7E8_frame", Quantity.COOLANT),
            ("pid0F_7E8_frame", Quantity.INTAKE_AIR),
        ):
            message = Reassembly().take(bytes.fromhex(row[column]), 0.0).message
            question = pid_question(quantity.pid, Service.CURRENT_DATA)
            assert message is not None
            assert message.startswith(question.answer)
            assert quantity.celsius(message[len(question.answer) :]) == float(row["t_degC"])
        assert row["byte_hex"] in row["pid05_7E8_frame"]


def test_spn_110(reference_rows):
    for row in reference_rows("j1939_spn110.csv"):
        celsius = Temperature.COOLANT.celsius(bytes.fromhex(row["raw_hex"]) + bytes(7))
        if row["meaning"].lstrip("-").isdigit():
            assert celsius == float(row["meaning"])
        else:
            assert celsius is None, row


def test_trouble_codes(reference_rows):
    for row in reference_rows("dtc_encoding.csv"):
        assert code_text(*bytes.fromhex(row["bytes_hex"])) == row["dtc"]


def test_frames_of_requests_and_answers(reference_rows):
    rows = reference_rows("isotp_obd_frames.csv")
    data = {row["meaning"]: bytes.fromhex(row["data_hex"]) for row in rows}
    requests = {
        "functional request PID 05": pid_question(0x05, Service.CURRENT_DATA),
        "functional request PID 0F": pid_question(0x0F, Service.CURRENT_DATA),
        "request stored DTCs": CODE_QUESTIONS[0][0],
        "request pending DTCs": CODE_QUESTIONS[1][0],
        "request permanent DTCs": CODE_QUESTIONS[2][0],
        "clear DTCs": CLEAR_CODES,
    }
    for meaning, question in requests.items():
        assert single_frame(question.request) == data[meaning]
    assert data["flow control"] == CLEAR_TO_SEND

    def codes(*meanings):
        reassembly = Reassembly()
        heard = [reassembly.take(data[meaning], 0.0) for meaning in meanings]
        assert heard[-1].message is not None
        return codes_in(heard[-1].message)

    assert codes("no DTC") == ()
    assert codes("one DTC P0118") == ("P0118",)
    assert codes("one DTC P0117") == ("P0117",)
    assert codes("P0117 and P0118") == ("P0117", "P0118")
    assert codes("first frame, 4 DTCs (10 bytes)", "consecutive frame 1: P0116, P0119") == (
        *("P0117", "P0118", "P0116", "P0119"),
    )
    assert Reassembly().take(data["positive response to 04"], 0.0).message == CLEAR_CODES.answer
    no = Reassembly().take(data["negative: conditionsNotCorrect"], 0.0).message
    assert no is not None
    assert refusal(no) == (0x04, 0x22)


def test_who_is_asked_and_who_answers(reference_rows):
    rows = reference_rows("isotp_obd_frames.csv")
    short = Addressing.SHORT
    assert {row["id_hex"] for row in rows} == {"7DF", "7E0", "7E8"}
    assert short.functional_id == 0x7DF
    address = short.address_of(Frame(0x7E8, bytes(8)))
    assert address is not None
    assert (address.request_id, address.name) == (0x7E0, "7E8")
    assert short.address_of(Frame(0x7E0, bytes(8))) is None
    # 29-bit identifiers of ISO 15765-4, from memory.
    long = Addressing.LONG
    address = long.address_of(Frame(0x18DAF110, bytes(8), extended=True))
    assert address is not None
    assert (long.functional_id, address.request_id) == (0x18DB33F1, 0x18DA10F1)
    assert long.address_of(Frame(0x18DA10F1, bytes(8), extended=True)) is None
