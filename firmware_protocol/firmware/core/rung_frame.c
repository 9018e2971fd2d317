/* Knows: frames on the wire: COBS, the delimiter, the CRC.
 * Must not know: what a payload means, time, hardware. */
#include "rung_frame.h"

#include "rung_bytes.h"

#define CRC_BYTES 2U
#define SHORTEST_PAYLOAD 4U
/* A group with this code holds 254 bytes and no zero follows it. */
#define LONGEST_GROUP_CODE 0xFFU

uint16_t rung_crc16(uint16_t crc, uint8_t byte)
{
    /* The polynomial 0x1021 folded a byte at a time with shifts alone: no table, few cycles. */
    crc = (uint16_t)((uint16_t)(crc >> 8) | (uint16_t)(crc << 8));
    crc = (uint16_t)(crc ^ byte);
    crc = (uint16_t)(crc ^ (uint16_t)((crc & 0xFFU) >> 4));
    crc = (uint16_t)(crc ^ (uint16_t)(crc << 12));
    crc = (uint16_t)(crc ^ (uint16_t)((crc & 0xFFU) << 5));
    return crc;
}

static void append(struct rung_decoder *decoder, uint8_t byte)
{
    if (decoder->length >= sizeof(decoder->payload)) {
        decoder->broken = true;
        return;
    }
    decoder->payload[decoder->length] = byte;
    decoder->length++;
    /* Two bytes behind, because the last two are the CRC itself. It spreads the work over the
     * bytes of the frame, so the closing one does not hold up a running path. */
    if (decoder->length > CRC_BYTES) {
        decoder->crc = rung_crc16(decoder->crc, decoder->payload[decoder->length - 1U - CRC_BYTES]);
    }
}

static void begin(struct rung_decoder *decoder)
{
    decoder->length = 0;
    decoder->group_left = 0;
    decoder->ended = false;
    decoder->started = false;
    decoder->zero_due = false;
    decoder->broken = false;
    decoder->crc = RUNG_CRC_START;
}

uint16_t rung_decoder_crc(const struct rung_decoder *decoder)
{
    return rung_u16(&decoder->payload[decoder->length - CRC_BYTES]);
}

static enum rung_frame end(struct rung_decoder *decoder)
{
    decoder->ended = true;
    if (!decoder->started) {
        return RUNG_FRAME_NONE;
    }
    if (decoder->broken || decoder->group_left != 0U || decoder->length < SHORTEST_PAYLOAD
        || decoder->crc != rung_decoder_crc(decoder)) {
        return RUNG_FRAME_BAD;
    }
    return RUNG_FRAME_GOOD;
}

enum rung_frame rung_decoder_feed(struct rung_decoder *decoder, uint8_t byte)
{
    if (decoder->ended || !decoder->started) {
        begin(decoder);
    }
    if (byte == 0U) {
        return end(decoder);
    }
    decoder->started = true;
    if (decoder->group_left != 0U) {
        decoder->group_left--;
        append(decoder, byte);
        return RUNG_FRAME_NONE;
    }
    if (decoder->zero_due) {
        append(decoder, 0U);
    }
    decoder->group_left = (uint8_t)(byte - 1U);
    decoder->zero_due = byte != LONGEST_GROUP_CODE;
    return RUNG_FRAME_NONE;
}

uint8_t rung_frame_seal(uint8_t *frame, uint8_t length)
{
    uint16_t crc = RUNG_CRC_START;
    uint8_t last = (uint8_t)(length + CRC_BYTES);
    uint8_t code_at = 0;
    uint8_t i;

    for (i = 1; i <= length; i++) {
        crc = rung_crc16(crc, frame[i]);
    }
    frame[length + 1U] = (uint8_t)(crc & 0xFFU);
    frame[length + 2U] = (uint8_t)(crc >> 8);

    /* Below 255 bytes stuffing is in place: each zero becomes the distance to the next one. */
    for (i = 1; i <= last; i++) {
        if (frame[i] == 0U) {
            frame[code_at] = (uint8_t)(i - code_at);
            code_at = i;
        }
    }
    frame[code_at] = (uint8_t)(i - code_at);
    frame[i] = 0U;
    return (uint8_t)(i + 1U);
}
