/* A chain of shift registers whose last data-out is wired back: what ports do with it. */
#include "rung_chain.h"

#include <string.h>

/* Once more, for a spike that hit one bit on the way. */
#define TRIES 2U

/* Shifts the wanted mask in, or its complement; true when what comes out is `out` of the mask. */
static bool pass(const struct rung_chain *chain, uint8_t in, uint8_t out)
{
    bool same = true;
    uint8_t i;
    for (i = RUNG_MASK_BYTES; i > 0U; i--) { /* the farthest register first */
        uint8_t byte = chain->wanted[i - 1U];
        if (chain->pins->shift((uint8_t)(byte ^ in)) != (uint8_t)(byte ^ out)) {
            same = false;
        }
    }
    return same;
}

/* Fills the chain with the wanted mask. Its complement goes first, so that every bit has been seen
 * to change: a line that is torn off or a stage that is stuck cannot look right. */
static bool fill(const struct rung_chain *chain)
{
    uint8_t tries;
    for (tries = 0; tries < TRIES; tries++) {
        (void)pass(chain, 0xFFU, 0U); /* what comes out now is anything */
        if (pass(chain, 0U, 0xFFU) && pass(chain, 0U, 0U)) {
            return true;
        }
    }
    return false;
}

void rung_chain_latch(struct rung_chain *chain, const uint8_t *mask)
{
    memcpy(chain->wanted, mask, RUNG_MASK_BYTES);
    chain->sound = fill(chain);
    if (chain->sound) {
        chain->pins->give_out();
    } else {
        chain->pins->release();
    }
}

bool rung_chain_check(struct rung_chain *chain)
{
    bool before = chain->sound;
    chain->sound = fill(chain);
    if (!chain->sound) {
        chain->pins->release();
    } else if (!before) {
        chain->pins->give_out(); /* mended */
    } else {
        /* as it was: the latch keeps what it has */
    }
    return before && chain->sound;
}
