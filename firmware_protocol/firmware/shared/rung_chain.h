/* A chain of shift registers whose last data-out is wired back: what ports do with it.
 *
 * The chain says what it holds before anything is latched. A state that it does not hold is not given
 * out; all outputs are switched off instead, until the chain holds what it is told again. */
#ifndef RUNG_CHAIN_H
#define RUNG_CHAIN_H

#include <stdbool.h>
#include <stdint.h>

#include "rung_config.h"

struct rung_chain_pins {
    /* Shifts a byte in, highest bit first; returns the byte that came out at the far end. */
    uint8_t (*shift)(uint8_t byte);
    /* Latches what the registers hold, and enables the outputs. */
    void (*give_out)(void);
    /* Disables the outputs. */
    void (*release)(void);
};

struct rung_chain {
    const struct rung_chain_pins *pins;
    uint8_t wanted[RUNG_MASK_BYTES]; /* given out, or to be given out when the chain is mended */
    bool sound;
};

void rung_chain_latch(struct rung_chain *chain, const uint8_t *mask);

/* Reads the chain back while it stands; what is given out does not change as long as it is sound.
 * False when it was found wrong now or since the last call. */
bool rung_chain_check(struct rung_chain *chain);

#endif
