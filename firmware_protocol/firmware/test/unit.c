/* Knows: what the core promises its port and SPEC.md, tried on a board that is a few variables.
 * Must not know: real hardware. Built with the sanitizers; see `make test`. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "rung_core.h"

static struct {
    uint16_t now;
    uint8_t input[256];
    unsigned input_count;
    unsigned input_at;
    bool busy; /* the reply is still going out */
    unsigned sends;
    uint8_t sent[RUNG_MAX_REPLY_FRAME];
    unsigned latches;
    uint16_t latched_at[64];
    uint8_t state[RUNG_MASK_BYTES];
    uint8_t kept[2];
    unsigned idles;
    bool unsound;
} world;

static unsigned failures;

#define CHECK(condition) check((condition), #condition, __LINE__)

static void check(bool holds, const char *what, int line)
{
    if (!holds) {
        failures++;
        (void)fprintf(stderr, "unit.c:%d: not so: %s\n", line, what);
    }
}

static int16_t receive(void *context)
{
    (void)context;
    if (world.input_at == world.input_count) {
        return -1;
    }
    world.input_at++;
    return (int16_t)world.input[world.input_at - 1U];
}

static void send(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    world.sends++;
    memcpy(world.sent, bytes, count);
}

static bool sending(void *context)
{
    (void)context;
    return world.busy;
}

static uint16_t milliseconds(void *context)
{
    (void)context;
    return world.now;
}

static void latch(void *context, const uint8_t *mask)
{
    (void)context;
    if (world.latches < 64U) {
        world.latched_at[world.latches] = world.now;
    }
    world.latches++;
    memcpy(world.state, mask, RUNG_MASK_BYTES);
}

static void load(void *context, uint8_t *bytes, uint8_t count)
{
    (void)context;
    memcpy(bytes, world.kept, count);
}

static void store(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    memcpy(world.kept, bytes, count);
}

static void idle(void *context)
{
    (void)context;
    world.idles++;
}

static bool sound(void *context)
{
    (void)context;
    return !world.unsound;
}

/* The least a port can provide: no converter, no memory, no predicate, no idle. */
static const struct rung_board bare = {
    .receive = receive, .send = send, .sending = sending, .milliseconds = milliseconds,
    .latch = latch,
};
static const struct rung_board kept = {
    .receive = receive, .send = send, .sending = sending, .milliseconds = milliseconds,
    .latch = latch, .load = load, .store = store, .idle = idle,
};

static const struct rung_board guarded = {
    .receive = receive, .send = send, .sending = sending, .milliseconds = milliseconds,
    .latch = latch, .sound = sound,
};

static void power_up(struct rung_core *core, const struct rung_board *board)
{
    memset(&world, 0, sizeof(world));
    memset(world.kept, 0xFF, sizeof(world.kept));
    memset(core, 0xA5, sizeof(*core)); /* memory as it is found */
    rung_core_start(core, board);
    world.latches = 0;
}

static void turn(struct rung_core *core, unsigned turns)
{
    unsigned i;
    for (i = 0; i < turns; i++) {
        rung_core_poll(core);
    }
}

/* Sends type, sequence and body and runs until the input is empty. */
static void request(struct rung_core *core, const uint8_t *head, uint8_t length)
{
    memcpy(&world.input[1], head, length);
    world.input_at = 0;
    world.input_count = rung_frame_seal(world.input, length);
    turn(core, world.input_count);
}

static void identify(struct rung_core *core)
{
    static const uint8_t head[] = { RUNG_IDENTIFY, 0xBF };
    request(core, head, sizeof(head));
}

static void clear_flags(struct rung_core *core)
{
    static const uint8_t head[] = { RUNG_CLEAR, 0xC0, 0x1C };
    request(core, head, sizeof(head));
}

/* As a host begins: a start has been seen, and what moves relays is allowed. */
static void greet(struct rung_core *core)
{
    identify(core);
    clear_flags(core);
    world.sends = 0;
}

/* An apply from the park state: relay 0, 1, 0, ... with these holds. */
static void apply(struct rung_core *core, uint8_t sequence, const uint16_t *holds, uint8_t count)
{
    uint8_t head[2 + RUNG_MASK_BYTES + 1 + RUNG_MAX_PATH * RUNG_PATH_STEP_BYTES] = { 0 };
    uint8_t i;
    head[0] = RUNG_APPLY;
    head[1] = sequence;
    head[2 + RUNG_MASK_BYTES] = count;
    for (i = 0; i < count; i++) {
        uint8_t *step = &head[2 + RUNG_MASK_BYTES + 1 + i * RUNG_PATH_STEP_BYTES];
        step[0] = (uint8_t)(1U + i % 2U);
        step[RUNG_MASK_BYTES] = (uint8_t)(holds[i] & 0xFFU);
        step[RUNG_MASK_BYTES + 1] = (uint8_t)(holds[i] >> 8);
    }
    request(core, head, (uint8_t)(2 + RUNG_MASK_BYTES + 1 + count * RUNG_PATH_STEP_BYTES));
}

static void pass(struct rung_core *core, unsigned ms)
{
    unsigned i;
    for (i = 0; i < ms; i++) {
        world.now++;
        turn(core, 1);
    }
}

/* Catalogue of parametrised CRC algorithms, CRC-16/IBM-3740: check value 0x29B1. */
static void crc_has_its_check_value(void)
{
    static const char digits[] = "123456789";
    uint16_t crc = RUNG_CRC_START;
    unsigned i;
    for (i = 0; i < 9U; i++) {
        crc = rung_crc16(crc, (uint8_t)digits[i]);
    }
    CHECK(crc == 0x29B1U);
}

/* The example of Cheshire and Baker (IEEE/ACM Transactions on Networking 7(2), 1999):
 * 45 00 00 2C 4C 79 00 00 40 06 4F 37 becomes 02 45 01 04 2C 4C 79 01 05 40 06 4F 37; here the
 * checksum, which the paper does not have, follows. */
static void stuffing_follows_the_paper(void)
{
    static const uint8_t raw[] = { 0x45, 0, 0, 0x2C, 0x4C, 0x79, 0, 0, 0x40, 0x06, 0x4F, 0x37 };
    static const uint8_t stuffed[] = { 0x02, 0x45, 0x01, 0x04, 0x2C, 0x4C, 0x79, 0x01 };
    static struct rung_decoder decoder;
    uint8_t frame[sizeof(raw) + 4U];
    uint8_t size;
    uint8_t i;
    memcpy(&frame[1], raw, sizeof(raw));
    size = rung_frame_seal(frame, sizeof(raw));
    CHECK(size == sizeof(frame));
    CHECK(memcmp(frame, stuffed, sizeof(stuffed)) == 0);
    CHECK(memcmp(&frame[9], &raw[8], 4) == 0);
    for (i = 0; i + 1U < size; i++) {
        CHECK(rung_decoder_feed(&decoder, frame[i]) == RUNG_FRAME_NONE);
    }
    CHECK(rung_decoder_feed(&decoder, frame[i]) == RUNG_FRAME_GOOD);
    CHECK(decoder.length == sizeof(raw) + 2U);
    CHECK(memcmp(decoder.payload, raw, sizeof(raw)) == 0);
}

static void start_parks_and_interlocks(void)
{
    static const uint16_t hold[] = { 5 };
    static struct rung_core core;
    memset(&world, 0, sizeof(world));
    memset(world.state, 0xFF, sizeof(world.state));
    rung_core_start(&core, &bare);
    CHECK(world.latches == 1U);
    CHECK(world.state[0] == 0U);
    apply(&core, 1, hold, 1);
    CHECK(world.sends == 1U);
    CHECK(world.latches == 1U);
    CHECK(core.boots == 0U); /* nothing is kept, so nothing is counted */
}

static void starts_are_counted_from_fresh_memory(void)
{
    static struct rung_core core;
    power_up(&core, &kept);
    CHECK(core.boots == 1U);
    rung_core_start(&core, &kept);
    CHECK(core.boots == 2U);
    world.kept[0] = 0; /* 65535, kept as its complement */
    world.kept[1] = 0;
    rung_core_start(&core, &kept);
    CHECK(core.boots == 0U);
}

static void lateness_does_not_add_up(void)
{
    static const uint16_t holds[] = { 10, 10, 10, 10, 10, 10 };
    static struct rung_core core;
    unsigned i;
    power_up(&core, &bare);
    greet(&core);
    world.now = 0xFFF0U; /* wraps on the way */
    apply(&core, 1, holds, 6);
    /* Looked at only every second millisecond, it is up to one late each time. */
    for (i = 0; i < 40U; i++) {
        world.now = (uint16_t)(world.now + 2U);
        turn(&core, 1);
    }
    CHECK(world.latches == 6U);
    CHECK(!core.relays.moving);
    for (i = 0; i < 6U; i++) {
        uint16_t late = (uint16_t)(world.latched_at[i] - 0xFFF0U - 10U * i);
        CHECK(late <= 2U);
    }
}

static void a_stalled_device_does_not_hurry(void)
{
    static const uint16_t holds[] = { 10, 10, 10 };
    static struct rung_core core;
    power_up(&core, &bare);
    greet(&core);
    apply(&core, 1, holds, 3);
    world.now = 500; /* far outside the protocol */
    turn(&core, 3);
    CHECK(world.latches == 2U); /* the second state, and then its whole hold */
    pass(&core, 9);
    CHECK(world.latches == 2U);
    pass(&core, 1);
    CHECK(world.latches == 3U);
}

static void a_start_is_not_cleared_unseen(void)
{
    static const uint8_t others[] = { RUNG_CLEAR, 0xC1, 0x0C };
    static struct rung_core core;
    power_up(&core, &bare);
    greet(&core);
    CHECK(core.sticky == 0U);
    rung_core_start(&core, &bare);
    clear_flags(&core); /* the last request from before the start, repeated */
    CHECK(core.sticky == RUNG_RESTARTED);
    rung_core_fault(&core);
    request(&core, others, sizeof(others));
    CHECK(core.sticky == RUNG_RESTARTED); /* the other flags are not held back */
    identify(&core);
    CHECK(core.sticky == RUNG_RESTARTED);
    clear_flags(&core);
    CHECK(core.sticky == 0U);
}

static void silence_parks(void)
{
    static const uint16_t hold[] = { 5 };
    static struct rung_core core;
    power_up(&core, &bare);
    greet(&core);
    world.now = 0xFF00U;
    apply(&core, 1, hold, 1);
    CHECK(world.state[0] == 1U);
    pass(&core, 1999);
    CHECK(world.state[0] == 1U);
    pass(&core, 1);
    CHECK(world.state[0] == 0U);
    CHECK(core.sticky == RUNG_HOLD_OFF_EXPIRED);
    world.latches = 0;
    pass(&core, 0x20000U); /* twice round the counter: a parked device does nothing */
    CHECK(world.latches == 0U);
}

static void parking_comes_before_the_next_state(void)
{
    static const uint16_t holds[] = { 1999, 5 };
    static struct rung_core core;
    power_up(&core, &bare);
    greet(&core);
    apply(&core, 1, holds, 2); /* the second state and the end of the hold-off fall together */
    pass(&core, 2000);
    CHECK(world.latches == 2U);
    CHECK(world.state[0] == 0U);
    CHECK(core.sticky == RUNG_HOLD_OFF_EXPIRED);
    CHECK(!core.relays.moving);
}

static void a_fault_parks_and_comes_back(void)
{
    static const uint16_t hold[] = { 500 };
    static struct rung_core core;
    power_up(&core, &bare);
    greet(&core);
    apply(&core, 1, hold, 1);
    rung_core_fault(&core);
    CHECK(world.state[0] == 0U);
    CHECK(!core.relays.moving);
    world.latches = 0;
    clear_flags(&core);
    rung_core_fault(&core);
    CHECK(core.sticky == RUNG_FAULT);
    CHECK(world.latches == 0U); /* parked already */
}

static void an_unsound_board_parks_as_long_as_it_is(void)
{
    static const uint16_t hold[] = { 500 };
    static const uint8_t clear_anew[] = { RUNG_CLEAR, 0xC2, RUNG_FAULT };
    static struct rung_core core;
    power_up(&core, &guarded);
    greet(&core);
    apply(&core, 1, hold, 1);
    CHECK(world.state[0] == 1U);
    CHECK(core.sticky == 0U);
    world.unsound = true;
    turn(&core, 1);
    CHECK(world.state[0] == 0U);
    CHECK(!core.relays.moving);
    CHECK(core.sticky == RUNG_FAULT);
    clear_flags(&core);
    turn(&core, 1);
    CHECK(core.sticky == RUNG_FAULT); /* it persists, so it is back */
    world.unsound = false;
    turn(&core, 1);
    CHECK(core.sticky == RUNG_FAULT); /* gone, but not unseen */
    request(&core, clear_anew, sizeof(clear_anew));
    turn(&core, 1);
    CHECK(core.sticky == 0U);
}

static void nothing_is_taken_in_while_a_reply_goes_out(void)
{
    static const uint8_t head[] = { RUNG_STATUS, 1 };
    static struct rung_core core;
    power_up(&core, &kept);
    world.busy = true;
    request(&core, head, sizeof(head));
    CHECK(world.input_at == 0U);
    CHECK(world.idles > 0U);
    world.busy = false;
    turn(&core, world.input_count);
    CHECK(world.sends == 1U);
}

static void repeats_are_answered_from_memory(void)
{
    static const uint16_t hold[] = { 1 };
    static struct rung_core core;
    uint8_t first[RUNG_MAX_REPLY_FRAME];
    power_up(&core, &bare);
    greet(&core);
    apply(&core, 1, hold, 1);
    memcpy(first, world.sent, sizeof(first));
    pass(&core, 50);
    apply(&core, 1, hold, 1);
    CHECK(world.sends == 2U);
    CHECK(world.latches == 1U);
    CHECK(memcmp(first, world.sent, sizeof(first)) == 0);
    apply(&core, 2, hold, 1); /* new: refused, for it does not start where the relays are */
    CHECK(world.sent[0] != 0U && memcmp(first, world.sent, 6) != 0);
    CHECK(world.latches == 1U);
}

static void dropped_frames_are_counted_up_to_255(void)
{
    static struct rung_core core;
    unsigned i;
    power_up(&core, &bare);
    for (i = 1; i <= 300U; i++) {
        world.input[0] = 1;
        world.input[1] = 0;
        world.input[2] = 0; /* encloses nothing, and is not counted */
        world.input_at = 0;
        world.input_count = 3;
        turn(&core, 3);
        CHECK(core.dropped == (i < 255U ? i : 255U));
    }
    CHECK(world.sends == 0U);
}

int main(void)
{
    crc_has_its_check_value();
    stuffing_follows_the_paper();
    start_parks_and_interlocks();
    starts_are_counted_from_fresh_memory();
    lateness_does_not_add_up();
    a_stalled_device_does_not_hurry();
    a_start_is_not_cleared_unseen();
    silence_parks();
    parking_comes_before_the_next_state();
    a_fault_parks_and_comes_back();
    an_unsound_board_parks_as_long_as_it_is();
    nothing_is_taken_in_while_a_reply_goes_out();
    repeats_are_answered_from_memory();
    dropped_frames_are_counted_up_to_255();
    if (failures != 0U) {
        (void)fprintf(stderr, "%u not so\n", failures);
        return 1;
    }
    (void)printf("unit tests passed\n");
    return 0;
}
