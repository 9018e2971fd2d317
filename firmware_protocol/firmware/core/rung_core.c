/* Knows: the device's side of the protocol in SPEC.md: requests, replies, flags.
 * Must not know: any processor, pin or compiler. */
#include "rung_core.h"

#include "rung_bytes.h"

#include <string.h>

#define INTERLOCK ((uint8_t)(RUNG_HOLD_OFF_EXPIRED | RUNG_FAULT | RUNG_RESTARTED))
#define HOLD_OFF_LEAST_MS 200U
#define HOLD_OFF_MOST_MS 60000U
#define HOLD_MOST_MS 5000U
#define DROPPED_MOST 255U

static const uint8_t park_mask[RUNG_MASK_ROOM] = RUNG_MASK_OF(RUNG_PARK_STATE);
static const char board_name[] = RUNG_NAME;

/* The answer to a request while it is made: a body that grows, or a code and its detail. */
struct answer {
    uint8_t *body;
    uint8_t length;
    uint8_t detail;
};

static void put_u8(struct answer *answer, uint8_t value)
{
    answer->body[answer->length] = value;
    answer->length++;
}

static void put_u16(struct answer *answer, uint16_t value)
{
    put_u8(answer, (uint8_t)(value & 0xFFU));
    put_u8(answer, (uint8_t)(value >> 8));
}

static void put_bytes(struct answer *answer, const void *bytes, uint8_t count)
{
    memcpy(&answer->body[answer->length], bytes, count);
    answer->length = (uint8_t)(answer->length + count);
}

static bool mask_in_range(const uint8_t *mask)
{
#if RUNG_RELAY_COUNT % 8 != 0
    return (mask[RUNG_MASK_BYTES - 1] >> (RUNG_RELAY_COUNT % 8)) == 0U;
#else
    (void)mask;
    return true;
#endif
}

static uint8_t status_byte(const struct rung_core *core)
{
    uint8_t status = core->sticky;
    if (core->relays.moving) {
        status |= (uint8_t)RUNG_MOVING;
    } else if (rung_relays_parked(&core->relays)) {
        status |= (uint8_t)RUNG_PARKED;
    } else {
        /* at rest in a state of the host's choice */
    }
    return status;
}

/* --- requests: each is checked whole before anything is done -------------------------------- */

static enum rung_code say_identity(struct rung_core *core, struct answer *answer)
{
    core->identified = true;
    put_u8(answer, RUNG_PROTOCOL_VERSION);
    put_u8(answer, RUNG_RELAY_COUNT);
    put_u8(answer, core->board->sense != NULL ? 1U : 0U);
    put_u8(answer, RUNG_MAX_PATH);
    put_u8(answer, RUNG_MAX_PAYLOAD);
    put_u16(answer, core->boots);
    put_bytes(answer, park_mask, RUNG_MASK_BYTES);
    put_bytes(answer, board_name, (uint8_t)RUNG_NAME_BYTES);
    return RUNG_OK;
}

static enum rung_code say_status(struct rung_core *core, struct answer *answer)
{
    put_bytes(answer, core->relays.latched, RUNG_MASK_BYTES);
    put_u8(answer, rung_relays_steps_left(&core->relays));
    put_u16(answer, core->relays.hold_off_ms);
    put_u8(answer, core->dropped);
    return RUNG_OK;
}

static enum rung_code check_steps(const struct rung_core *core, const uint8_t *steps, uint8_t count,
                                  struct answer *answer)
{
    const uint8_t *step = steps;
    uint8_t i;
    for (i = 1; i <= count; i++) {
        uint16_t hold_ms = rung_u16(&step[RUNG_MASK_BYTES]);
        answer->detail = i;
        if (!mask_in_range(step) || hold_ms == 0U || hold_ms > HOLD_MOST_MS) {
            return RUNG_BAD_VALUE;
        }
        step += RUNG_PATH_STEP_BYTES;
    }
    if (core->board->forbidden != NULL) {
        step = steps;
        for (i = 1; i <= count; i++) {
            answer->detail = i;
            if (core->board->forbidden(core->board->context, step)) {
                return RUNG_FORBIDDEN;
            }
            step += RUNG_PATH_STEP_BYTES;
        }
    }
    answer->detail = 0;
    return RUNG_OK;
}

static enum rung_code apply(struct rung_core *core, const uint8_t *body, uint8_t length,
                            struct answer *answer)
{
    const uint8_t *steps = &body[RUNG_MASK_BYTES + 1];
    enum rung_code code;
    uint8_t count;

    if (length < RUNG_MASK_BYTES + 1) {
        return RUNG_BAD_LENGTH;
    }
    count = body[RUNG_MASK_BYTES];
    if (count == 0U || count > RUNG_MAX_PATH) {
        return RUNG_PATH_TOO_LONG;
    }
    if (length != RUNG_MASK_BYTES + 1 + count * RUNG_PATH_STEP_BYTES) {
        return RUNG_BAD_LENGTH;
    }
    if (core->relays.moving) {
        answer->detail = rung_relays_steps_left(&core->relays);
        return RUNG_BUSY;
    }
    if (core->sticky != 0U) {
        return RUNG_INTERLOCKED;
    }
    if (!mask_in_range(body)) {
        return RUNG_BAD_VALUE;
    }
    code = check_steps(core, steps, count, answer);
    if (code != RUNG_OK) {
        return code;
    }
    if (memcmp(body, core->relays.latched, RUNG_MASK_BYTES) != 0) {
        return RUNG_WRONG_START;
    }
    rung_relays_begin(&core->relays, steps, count);
    return RUNG_OK;
}

static enum rung_code hold_off(struct rung_core *core, const uint8_t *body, struct answer *answer)
{
    uint16_t time_ms = rung_u16(body);
    if (time_ms != 0U) {
        if (time_ms < HOLD_OFF_LEAST_MS || time_ms > HOLD_OFF_MOST_MS) {
            return RUNG_BAD_VALUE;
        }
        core->relays.hold_off_ms = time_ms;
    }
    put_u16(answer, core->relays.hold_off_ms);
    return RUNG_OK;
}

static enum rung_code sense(struct rung_core *core, uint8_t channel, struct answer *answer)
{
    struct rung_sample sample = { 0, 0, 0 };
    if (!core->board->sense(core->board->context, channel, &sample)) {
        return RUNG_BAD_VALUE;
    }
    put_u8(answer, channel);
    put_u16(answer, sample.raw);
    put_u16(answer, sample.full_scale);
    put_u16(answer, sample.reference_mv);
    return RUNG_OK;
}

static enum rung_code clear(struct rung_core *core, uint8_t flags)
{
    /* A clear from before this start must not hide the start from its host. */
    if ((flags & (uint8_t)RUNG_RESTARTED) != 0U && !core->identified) {
        return RUNG_INTERLOCKED;
    }
    if ((flags & (uint8_t)~INTERLOCK) != 0U) {
        return RUNG_BAD_VALUE;
    }
    core->sticky &= (uint8_t)~flags;
    return RUNG_OK;
}

static bool supported(const struct rung_core *core, uint8_t type)
{
    return type <= RUNG_CLEAR && (type != RUNG_SENSE || core->board->sense != NULL);
}

/* Bytes in the body of each request; apply checks its own. */
static uint8_t body_length(uint8_t type)
{
    switch (type) {
    case RUNG_HOLD_OFF:
        return 2;
    case RUNG_SENSE:
    case RUNG_CLEAR:
        return 1;
    default:
        return 0;
    }
}

static enum rung_code carry_out(struct rung_core *core, uint8_t type, const uint8_t *body,
                                uint8_t length, struct answer *answer)
{
    if (!supported(core, type)) {
        return RUNG_UNSUPPORTED;
    }
    if (type != RUNG_APPLY && length != body_length(type)) {
        return RUNG_BAD_LENGTH;
    }
    switch (type) {
    case RUNG_IDENTIFY:
        return say_identity(core, answer);
    case RUNG_STATUS:
        return say_status(core, answer);
    case RUNG_APPLY:
        return apply(core, body, length, answer);
    case RUNG_PARK:
        rung_relays_park(&core->relays);
        return RUNG_OK;
    case RUNG_HOLD_OFF:
        return hold_off(core, body, answer);
    case RUNG_SENSE:
        return sense(core, body[0], answer);
    default:
        return clear(core, body[0]);
    }
}

/* --- conversation --------------------------------------------------------------------------- */

static void remember(struct rung_core *core)
{
    const struct rung_decoder *request = &core->decoder;
    core->last_type = request->payload[0];
    core->last_sequence = request->payload[1];
    core->last_length = request->length;
    core->last_crc = rung_decoder_crc(request);
    /* An identify is carried out each time, so it is never found again. */
    core->remembered = core->last_type != RUNG_IDENTIFY;
}

static bool repeated(const struct rung_core *core)
{
    const struct rung_decoder *request = &core->decoder;
    return core->remembered && core->last_type == request->payload[0]
        && core->last_sequence == request->payload[1] && core->last_length == request->length
        && core->last_crc == rung_decoder_crc(request);
}

static void answer_request(struct rung_core *core)
{
    const uint8_t *payload = core->decoder.payload;
    uint8_t body_bytes = (uint8_t)(core->decoder.length - 4U);
    /* reply[0] is for the stuffing; then type, sequence, body. */
    struct answer answer = { &core->reply[3], 1, 0 };
    enum rung_code code = carry_out(core, payload[0], &payload[2], body_bytes, &answer);

    core->reply[1] = (uint8_t)(payload[0] | RUNG_REPLY_BIT);
    core->reply[2] = payload[1];
    if (code != RUNG_OK) {
        core->reply[1] = RUNG_ERROR;
        answer.length = 1;
        put_u8(&answer, (uint8_t)code);
        put_u8(&answer, payload[0]);
        put_u8(&answer, answer.detail);
    }
    answer.body[0] = status_byte(core);
    core->reply_size = rung_frame_seal(core->reply, (uint8_t)(answer.length + 2U));
}

static void handle_frame(struct rung_core *core)
{
    uint8_t type = core->decoder.payload[0];
    if (type == 0U || type >= RUNG_REPLY_BIT) {
        return; /* an echo, or somebody else's */
    }
    if (!repeated(core)) {
        answer_request(core);
        remember(core);
    }
    rung_relays_feed(&core->relays); /* after the work, so that silence is never too long */
    core->board->send(core->board->context, core->reply, core->reply_size);
}

static bool take_byte(struct rung_core *core)
{
    int16_t byte;
    if (core->board->sending(core->board->context)) {
        return false;
    }
    byte = core->board->receive(core->board->context);
    if (byte < 0) {
        return false;
    }
    switch (rung_decoder_feed(&core->decoder, (uint8_t)byte)) {
    case RUNG_FRAME_GOOD:
        handle_frame(core);
        break;
    case RUNG_FRAME_BAD:
        if (core->dropped < DROPPED_MOST) {
            core->dropped++;
        }
        break;
    default:
        break;
    }
    return true;
}

static void count_start(struct rung_core *core)
{
    /* Kept as its complement, so that memory never written counts from zero. */
    uint8_t kept[2] = { 0xFFU, 0xFFU };
    const struct rung_board *board = core->board;
    if (board->load == NULL || board->store == NULL) {
        return;
    }
    board->load(board->context, kept, sizeof(kept));
    core->boots = (uint16_t)(~rung_u16(kept) + 1U);
    kept[0] = (uint8_t)~(core->boots & 0xFFU);
    kept[1] = (uint8_t)~(core->boots >> 8);
    board->store(board->context, kept, sizeof(kept));
}

void rung_core_start(struct rung_core *core, const struct rung_board *board)
{
    memset(core, 0, sizeof(*core));
    core->board = board;
    rung_relays_start(&core->relays, board); /* parks: before anything else is done */
    core->sticky = (uint8_t)RUNG_RESTARTED;
    count_start(core);
}

void rung_core_poll(struct rung_core *core)
{
    const struct rung_board *board = core->board;
    if (board->sound != NULL && !board->sound(board->context)) {
        rung_core_fault(core);
    }
    if (rung_relays_turn(&core->relays)) {
        core->sticky |= (uint8_t)RUNG_HOLD_OFF_EXPIRED;
    }
    if (!take_byte(core) && board->idle != NULL) {
        board->idle(board->context);
    }
}

void rung_core_fault(struct rung_core *core)
{
    if (!rung_relays_parked(&core->relays)) {
        rung_relays_park(&core->relays);
    }
    core->sticky |= (uint8_t)RUNG_FAULT;
}
