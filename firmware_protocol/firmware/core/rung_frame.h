/* Knows: frames on the wire: COBS, the delimiter, the CRC.
 * Must not know: what a payload means, time, hardware. */
#ifndef RUNG_FRAME_H
#define RUNG_FRAME_H

#include <stdbool.h>
#include <stdint.h>

#include "rung_config.h"

#define RUNG_CRC_START 0xFFFFU

/* One byte further with CRC-16/IBM-3740. */
uint16_t rung_crc16(uint16_t crc, uint8_t byte);

enum rung_frame {
    RUNG_FRAME_NONE, /* nothing has ended yet, or two delimiters enclosed nothing */
    RUNG_FRAME_GOOD, /* payload and length are valid until the next byte is fed */
    RUNG_FRAME_BAD   /* a frame ended that is torn, too short, too long or corrupt */
};

/* Decodes byte by byte; all zeros is a valid start. */
struct rung_decoder {
    uint8_t payload[RUNG_MAX_PAYLOAD];
    uint8_t length;     /* bytes in payload, the CRC included */
    uint8_t group_left; /* bytes still to come in the group that is open */
    bool ended;         /* the frame is over: the next byte starts afresh */
    bool started;       /* at least one byte since the delimiter */
    bool zero_due;      /* a zero stands between the last group and the next one */
    bool broken;        /* nothing can be made of this frame any more */
    uint16_t crc;       /* over all of payload except its last two bytes */
};

enum rung_frame rung_decoder_feed(struct rung_decoder *decoder, uint8_t byte);

/* The CRC that the payload carries in its last two bytes. */
uint16_t rung_decoder_crc(const struct rung_decoder *decoder);

/* Turns frame[1..length], which is type, sequence and body, into a whole frame from frame[0] on:
 * appends the CRC, stuffs in place, appends the delimiter. Takes length + 4 bytes of room;
 * length is at most 252. Returns the size of the frame. */
uint8_t rung_frame_seal(uint8_t *frame, uint8_t length);

#endif
