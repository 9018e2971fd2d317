/* Knows: what is latched, the path that runs, and the hold-off: all that moves relays.
 * Must not know: requests, replies, frames; any processor, pin or compiler. */
#include "rung_relays.h"

#include "rung_bytes.h"

#include <string.h>

#define HOLD_OFF_AT_START_MS 2000U
/* A device further behind than this is outside the protocol; it then stretches the path rather
 * than shorten the hold of a relay that has only just been told to move. */
#define LATENESS_MOST_MS 2U

static const uint8_t park_mask[RUNG_MASK_ROOM] = RUNG_MASK_OF(RUNG_PARK_STATE);

static uint16_t now_ms(const struct rung_relays *relays)
{
    return relays->board->milliseconds(relays->board->context);
}

static void latch(struct rung_relays *relays, const uint8_t *mask)
{
    memcpy(relays->latched, mask, RUNG_MASK_BYTES);
    relays->board->latch(relays->board->context, relays->latched);
}

void rung_relays_park(struct rung_relays *relays)
{
    relays->moving = false;
    latch(relays, park_mask);
}

bool rung_relays_parked(const struct rung_relays *relays)
{
    return !relays->moving && memcmp(relays->latched, park_mask, RUNG_MASK_BYTES) == 0;
}

void rung_relays_feed(struct rung_relays *relays)
{
    relays->fed_at = now_ms(relays);
}

/* --- a path ----------------------------------------------------------------------------------- */

uint8_t rung_relays_steps_left(const struct rung_relays *relays)
{
    return relays->moving ? (uint8_t)(relays->path_count - relays->path_next) : 0U;
}

static void latch_next(struct rung_relays *relays)
{
    const uint8_t *step = &relays->path[(uint8_t)(relays->path_next * RUNG_PATH_STEP_BYTES)];
    latch(relays, step);
    relays->path_due = (uint16_t)(relays->path_due + rung_u16(&step[RUNG_MASK_BYTES]));
    relays->path_next++;
}

void rung_relays_begin(struct rung_relays *relays, const uint8_t *steps, uint8_t count)
{
    memcpy(relays->path, steps, (size_t)count * RUNG_PATH_STEP_BYTES);
    relays->path_count = count;
    relays->path_next = 0;
    relays->moving = true;
    /* The running millisecond is partly gone: one more, and no hold is short. */
    relays->path_due = (uint16_t)(now_ms(relays) + 1U);
    latch_next(relays);
}

static void run_path(struct rung_relays *relays, uint16_t now)
{
    uint16_t late = (uint16_t)(now - relays->path_due);
    if (!relays->moving || late >= 0x8000U) {
        return; /* at rest, or not due yet */
    }
    if (relays->path_next >= relays->path_count) {
        relays->moving = false;
        return;
    }
    if (late > LATENESS_MOST_MS) {
        relays->path_due = now;
    }
    latch_next(relays);
}

/* --- time ------------------------------------------------------------------------------------- */

static bool silent(const struct rung_relays *relays, uint16_t now)
{
    return !rung_relays_parked(relays) && (uint16_t)(now - relays->fed_at) >= relays->hold_off_ms;
}

bool rung_relays_turn(struct rung_relays *relays)
{
    uint16_t now = now_ms(relays);
    if (silent(relays, now)) { /* before the path: what is to park does not move once more first */
        rung_relays_park(relays);
        return true;
    }
    run_path(relays, now);
    return false;
}

void rung_relays_start(struct rung_relays *relays, const struct rung_board *board)
{
    relays->board = board;
    rung_relays_park(relays);
    relays->hold_off_ms = HOLD_OFF_AT_START_MS;
    rung_relays_feed(relays);
}
