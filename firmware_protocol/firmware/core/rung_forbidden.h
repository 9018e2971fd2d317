/* The simplest predicate a board can have: one set of relays never energised together. A board with
 * more rules writes its own. */
#ifndef RUNG_FORBIDDEN_H
#define RUNG_FORBIDDEN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "rung_config.h"

#ifdef RUNG_FORBIDDEN_STATE
static bool rung_forbidden(void *context, const uint8_t *mask)
{
    static const uint8_t together[RUNG_MASK_ROOM] = RUNG_MASK_OF(RUNG_FORBIDDEN_STATE);
    uint8_t i;
    (void)context;
    for (i = 0; i < RUNG_MASK_BYTES; i++) {
        if ((mask[i] & together[i]) != together[i]) {
            return false;
        }
    }
    return true;
}
#else
#define rung_forbidden NULL
#endif

#endif
