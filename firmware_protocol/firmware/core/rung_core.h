/* Knows: the device's side of the protocol in SPEC.md: requests, replies, flags.
 * Must not know: any processor, pin or compiler. */
#ifndef RUNG_CORE_H
#define RUNG_CORE_H

#include "rung_board.h"
#include "rung_config.h"
#include "rung_frame.h"
#include "rung_relays.h"

#define RUNG_PROTOCOL_VERSION 1U

enum rung_status {
    RUNG_PARKED = 0x01,
    RUNG_MOVING = 0x02,
    RUNG_HOLD_OFF_EXPIRED = 0x04,
    RUNG_FAULT = 0x08,
    RUNG_RESTARTED = 0x10
};

enum rung_request {
    RUNG_IDENTIFY = 0x01,
    RUNG_STATUS = 0x02,
    RUNG_APPLY = 0x03,
    RUNG_PARK = 0x04,
    RUNG_HOLD_OFF = 0x05,
    RUNG_SENSE = 0x06,
    RUNG_CLEAR = 0x07,
    RUNG_REPLY_BIT = 0x80,
    RUNG_ERROR = 0xFF
};

enum rung_code {
    RUNG_OK = 0,
    RUNG_UNSUPPORTED = 1,
    RUNG_BAD_LENGTH = 2,
    RUNG_BAD_VALUE = 3,
    RUNG_BUSY = 4,
    RUNG_INTERLOCKED = 5,
    RUNG_WRONG_START = 6,
    RUNG_FORBIDDEN = 7,
    RUNG_PATH_TOO_LONG = 8
};

/* One device. Its fields are the core's own; a port only provides the room. */
struct rung_core {
    const struct rung_board *board;
    struct rung_decoder decoder;

    struct rung_relays relays;
    uint8_t sticky;        /* the interlock: bits 2, 3, 4 of the status byte */
    bool identified;       /* since the start, so `restarted` may be cleared */

    uint16_t boots;
    uint8_t dropped;

    bool remembered;       /* the four below name the last request, reply its answer */
    uint8_t last_type;
    uint8_t last_sequence;
    uint8_t last_length;
    uint16_t last_crc;
    uint8_t reply[RUNG_MAX_REPLY_FRAME];
    uint8_t reply_size;
};

/* Parks, counts the start, sets `restarted`. Call once; the board stays the caller's and must
 * outlive the core. */
void rung_core_start(struct rung_core *core, const struct rung_board *board);

/* One turn: the path and the hold-off against the clock, then at most one received byte. */
void rung_core_poll(struct rung_core *core);

/* The board has found something wrong with itself: parks and sets `fault`. Call again as long as
 * it persists. */
void rung_core_fault(struct rung_core *core);

#endif
