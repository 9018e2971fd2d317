/* How numbers lie in bytes: low byte first. */
#ifndef RUNG_BYTES_H
#define RUNG_BYTES_H

#include <stdint.h>

/* The high byte is widened before it is shifted: where int has 16 bits it would otherwise be
 * shifted into the sign, which C leaves undefined. */
static inline uint16_t rung_u16(const uint8_t *low)
{
    return (uint16_t)(low[0] | (uint16_t)((uint16_t)low[1] << 8));
}

#endif
