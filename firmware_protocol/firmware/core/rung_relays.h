/* Knows: what is latched, the path that runs, and the hold-off: all that moves relays.
 * Must not know: requests, replies, frames; any processor, pin or compiler. */
#ifndef RUNG_RELAYS_H
#define RUNG_RELAYS_H

#include "rung_board.h"
#include "rung_config.h"

struct rung_relays {
    const struct rung_board *board;
    uint8_t latched[RUNG_MASK_BYTES];
    bool moving;

    uint8_t path[RUNG_MAX_PATH * RUNG_PATH_STEP_BYTES]; /* as it came: state, hold, state, ... */
    uint8_t path_count;
    uint8_t path_next;     /* index of the state to latch next */
    uint16_t path_due;     /* when the hold of the state before it has passed */

    uint16_t hold_off_ms;
    uint16_t fed_at;
};

/* Parks, whatever the relays are doing. Call once; the board must outlive the relays. */
void rung_relays_start(struct rung_relays *relays, const struct rung_board *board);

/* Latches the park state at once and drops what is left of a path. */
void rung_relays_park(struct rung_relays *relays);

/* True when the park state is latched and no path is running. */
bool rung_relays_parked(const struct rung_relays *relays);

/* How many states of the running path are still to be latched. */
uint8_t rung_relays_steps_left(const struct rung_relays *relays);

/* Latches the first state of a path that was checked; the others follow when they are due. */
void rung_relays_begin(struct rung_relays *relays, const uint8_t *steps, uint8_t count);

/* Feeds the hold-off. */
void rung_relays_feed(struct rung_relays *relays);

/* What time brings: the park when the hold-off has run out, else the next state when it is due.
 * True when the hold-off has just run out. */
bool rung_relays_turn(struct rung_relays *relays);

#endif
