/* What the core asks of a board, as a struct of callbacks.
 *
 * To port the core is to fill this struct and to call rung_core_start once and rung_core_poll for
 * ever. No callback may block for longer than a fraction of a millisecond, `idle` excepted (and
 * `store`, which is called once, at the start). */
#ifndef RUNG_BOARD_H
#define RUNG_BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "rung_config.h"

struct rung_sample {
    uint16_t raw;
    uint16_t full_scale;   /* the raw value that stands for the reference */
    uint16_t reference_mv;
};

struct rung_board {
    /* Handed to every callback; the core never looks at it. */
    void *context;

    /* The next byte received, or -1 when there is none. */
    int16_t (*receive)(void *context);

    /* Starts to send; may return before the bytes are out. They stay as they are until `sending`
     * says false: the core takes no further byte in before that. */
    void (*send)(void *context, const uint8_t *bytes, uint8_t count);
    bool (*sending)(void *context);

    /* Milliseconds, modulo 65536, from any start. Must be read at least every 2 seconds, which
     * rung_core_poll does. */
    uint16_t (*milliseconds)(void *context);

    /* Energises exactly the relays of the mask (RUNG_MASK_BYTES, low byte first), all at once. */
    void (*latch)(void *context, const uint8_t *mask);

    /* Reads an analogue input; false when there is no such channel. NULL: the board has none. */
    bool (*sense)(void *context, uint8_t channel, struct rung_sample *sample);

    /* The bytes kept through a restart. Memory that was never written reads as 0xFF. NULL (both):
     * the board keeps nothing. */
    void (*load)(void *context, uint8_t *bytes, uint8_t count);
    void (*store)(void *context, const uint8_t *bytes, uint8_t count);

    /* True for a pattern of relays that must never be latched. NULL: every pattern is allowed.
     * The park state is latched without asking. */
    bool (*forbidden)(void *context, const uint8_t *mask);

    /* False when the board finds something wrong with itself: it read its outputs back and they are
     * not what they were told, or the supply of the coils has dipped. Asked at every turn, so a
     * look at the hardware now and then is enough; false once is a fault once. The core parks then,
     * and the board may have released its outputs before. NULL: the board has no such senses. */
    bool (*sound)(void *context);

    /* Called when there is nothing to do until a byte comes or a millisecond passes. NULL: spin. */
    void (*idle)(void *context);
};

#endif
