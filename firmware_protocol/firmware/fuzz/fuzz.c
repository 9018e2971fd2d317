/* Knows: how to drive the core with arbitrary bytes and time, and what must always hold.
 * Must not know: how the core decodes; it has a second decoder of its own to compare with.
 *
 * What holds, whatever comes: a sound request gets exactly one reply, which names it; anything
 * else gets none and moves no relay; an interlocked device moves only to park; no relay beyond
 * the count is ever energised; a restart is never cleared before an identify. */
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "rung_core.h"

static struct {
    const uint8_t *input;
    size_t input_left;
    uint16_t now;
    unsigned sends;
    uint8_t sent[256];
    uint8_t sent_count;
    unsigned latches;
    uint8_t state[RUNG_MASK_BYTES];
} world;

static const uint8_t parked_state[RUNG_MASK_ROOM] = RUNG_MASK_OF(RUNG_PARK_STATE);

static void must(bool holds, const char *what)
{
    if (!holds) {
        (void)fprintf(stderr, "broken: %s\n", what);
        abort();
    }
}

static int16_t receive(void *context)
{
    (void)context;
    if (world.input_left == 0U) {
        return -1;
    }
    world.input_left--;
    world.input++;
    return (int16_t)world.input[-1];
}

static void send(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    world.sends++;
    memcpy(world.sent, bytes, count);
    world.sent_count = count;
}

static bool sending(void *context)
{
    (void)context;
    return false;
}

static uint16_t milliseconds(void *context)
{
    (void)context;
    return world.now;
}

static void latch(void *context, const uint8_t *mask)
{
    (void)context;
    world.latches++;
    memcpy(world.state, mask, RUNG_MASK_BYTES);
#if RUNG_RELAY_COUNT % 8 != 0
    must((mask[RUNG_MASK_BYTES - 1] >> (RUNG_RELAY_COUNT % 8)) == 0U, "a relay beyond the count");
#endif
}

static bool sense(void *context, uint8_t channel, struct rung_sample *sample)
{
    (void)context;
    sample->raw = (uint16_t)(channel * 257U);
    sample->full_scale = 1024;
    sample->reference_mv = 5000;
    return channel < 2U;
}

static bool forbidden(void *context, const uint8_t *mask)
{
    (void)context;
    return (mask[0] & 0x03U) == 0x03U;
}

static const struct rung_board board = {
    .receive = receive, .send = send, .sending = sending, .milliseconds = milliseconds,
    .latch = latch, .sense = sense, .forbidden = forbidden,
};

/* --- a second, plain decoder: whole frames, bit by bit -------------------------------------- */

static uint16_t plain_crc(const uint8_t *bytes, size_t count)
{
    uint16_t crc = 0xFFFFU;
    size_t i;
    unsigned bit;
    for (i = 0; i < count; i++) {
        for (bit = 0; bit < 8U; bit++) {
            bool high = ((crc >> 15) & 1U) != (uint16_t)((bytes[i] >> (7U - bit)) & 1U);
            crc = (uint16_t)(crc << 1);
            if (high) {
                crc ^= 0x1021U;
            }
        }
    }
    return crc;
}

/* Returns the length of the payload, or 0 when the bytes before the delimiter hold none. */
static size_t plain_decode(const uint8_t *bytes, size_t count, uint8_t *payload)
{
    size_t at = 0;
    size_t length = 0;
    while (at < count) {
        size_t code = bytes[at];
        size_t i;
        if (at + code > count) {
            return 0;
        }
        for (i = 1; i < code; i++) {
            payload[length] = bytes[at + i];
            length++;
        }
        at += code;
        if (code != 0xFFU && at < count) {
            payload[length] = 0;
            length++;
        }
    }
    if (length < 4U || length > RUNG_MAX_PAYLOAD
        || plain_crc(payload, length - 2U)
            != (uint16_t)(payload[length - 2U] | (uint16_t)(payload[length - 1U] << 8))) {
        return 0;
    }
    return length;
}

/* --- one run -------------------------------------------------------------------------------- */

static bool identified; /* since the start */
static uint8_t line[2048]; /* bytes since the last delimiter */
static size_t line_count;

static void settle(struct rung_core *core)
{
    rung_core_poll(core); /* with no input: path and hold-off only */
}

static void check_reply(const uint8_t *request)
{
    uint8_t payload[256];
    size_t length;
    must(world.sends == 1U, "a sound request did not get exactly one reply");
    must(world.sent_count > 1U && world.sent[world.sent_count - 1U] == 0U, "no delimiter");
    must(memchr(world.sent, 0, world.sent_count - 1U) == NULL, "a zero inside the reply");
    length = plain_decode(world.sent, world.sent_count - 1U, payload);
    must(length >= 5U, "the reply is not sound");
    must(payload[1] == request[1], "another sequence number");
    must(payload[0] == (request[0] | 0x80U)
             || (payload[0] == RUNG_ERROR && length == 8U && payload[4] == request[0]),
         "another type");
    must((payload[2] & 0xE0U) == 0U, "bits beyond the status byte's");
    must((payload[2] & 0x01U) == 0U || memcmp(world.state, parked_state, RUNG_MASK_BYTES) == 0,
         "says it is parked and is not");
}

static void feed(struct rung_core *core, uint8_t byte)
{
    uint8_t payload[sizeof(line)];
    size_t length = 0;
    uint8_t sticky;
    uint8_t state[RUNG_MASK_BYTES];

    settle(core);
    sticky = core->sticky;
    memcpy(state, world.state, sizeof(state));
    world.sends = 0;
    world.latches = 0;
    world.input = &byte;
    world.input_left = 1;
    rung_core_poll(core);
    must(world.input_left == 0U, "a byte was left lying");

    if (byte == 0U) {
        length = plain_decode(line, line_count, payload);
        line_count = 0;
    } else if (line_count < sizeof(line)) {
        line[line_count] = byte;
        line_count++;
    } else {
        /* far beyond any frame already */
    }
    if (length != 0U && payload[0] > 0U && payload[0] < 0x80U) {
        check_reply(payload);
        must(world.latches == 0U || payload[0] == RUNG_PARK || payload[0] == RUNG_APPLY,
             "a request of another kind moved a relay");
        must(payload[0] != RUNG_APPLY || sticky == 0U || world.latches == 0U,
             "an interlocked device moved");
        must((world.state[0] & 0x03U) != 0x03U, "a forbidden pattern");
        identified = identified || (payload[0] == RUNG_IDENTIFY && length == 4U);
        must(identified || (core->sticky & (uint8_t)RUNG_RESTARTED) != 0U,
             "a restart was cleared unseen");
    } else {
        must(world.sends == 0U, "a reply to something that is no request");
        must(world.latches == 0U, "something that is no request moved a relay");
        must(memcmp(state, world.state, sizeof(state)) == 0, "the state changed");
    }
}

static void pass(struct rung_core *core, unsigned ms)
{
    unsigned i;
    for (i = 0; i < ms; i++) {
        world.now++;
        world.sends = 0;
        settle(core);
        must(world.sends == 0U, "the device spoke unasked");
    }
}

/* Sends a frame around bytes of the input; a flip other than 0 spoils one of its bytes. */
static void feed_framed(struct rung_core *core, const uint8_t *head, uint8_t count, uint8_t at,
                        uint8_t flip)
{
    uint8_t frame[260];
    uint8_t size;
    uint8_t i;
    memcpy(&frame[1], head, count);
    size = rung_frame_seal(frame, count);
    frame[at % size] ^= flip;
    for (i = 0; i < size; i++) {
        feed(core, frame[i]);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct rung_core core;
    size_t at = 0;

    memset(&world, 0, sizeof(world));
    line_count = 0;
    identified = false;
    world.now = 0xFF00U; /* the counter wraps soon */
    rung_core_start(&core, &board);
    /* Each operation is two bytes and as many more as the second one says. */
    while (at + 2U <= size) {
        uint8_t operation = data[at] % 8U;
        uint8_t count = data[at + 1U];
        const uint8_t *more = &data[at + 2U];
        at += 2U;
        switch (operation) {
        case 0:
            pass(&core, count);
            break;
        case 1:
            pass(&core, count * 16U);
            break;
        case 2:
            rung_core_fault(&core);
            break;
        case 3:
            rung_core_start(&core, &board);
            line_count = 0;
            identified = false;
            break;
        default:
            if (count > size - at) {
                count = (uint8_t)(size - at);
            }
            if (count > 250U) {
                count = 250U;
            }
            at += count;
            if (operation == 4U) {
                uint8_t i;
                for (i = 0; i < count; i++) {
                    feed(&core, more[i]);
                }
            } else if (operation == 5U && count > 2U) {
                feed_framed(&core, more + 2, (uint8_t)(count - 2U), more[0], more[1]);
            } else if (count > 1U) {
                feed_framed(&core, more, count, 0, 0);
            } else {
                feed(&core, 0);
            }
            break;
        }
    }
    return 0;
}
