/* Knows: the numbers a builder chooses for a board, each with a default, and the sizes that follow.
 * Must not know: any processor, pin or compiler. */
#ifndef RUNG_CONFIG_H
#define RUNG_CONFIG_H

/* Relays on the board, 1 to 64. */
#ifndef RUNG_RELAY_COUNT
#define RUNG_RELAY_COUNT 18
#endif

/* States in one path, 1 to 16. */
#ifndef RUNG_MAX_PATH
#define RUNG_MAX_PATH 16
#endif

/* What a person sees, 0 to 24 bytes of UTF-8. */
#ifndef RUNG_NAME
#define RUNG_NAME "Rungwise ladder board"
#endif

/* The park state, low byte first. Everything released is the only state that a board without
 * power can hold as well; README.md says why that matters. */
#ifndef RUNG_PARK_MASK
#define RUNG_PARK_MASK { 0 }
#endif

/* RUNG_FORBIDDEN_MASK, low byte first: relays that must never all be energised together. Left
 * undefined, every pattern is allowed. */

#define RUNG_MASK_BYTES ((RUNG_RELAY_COUNT + 7) / 8)
#define RUNG_PATH_STEP_BYTES (RUNG_MASK_BYTES + 2)

/* type, sequence, crc; then start, count and the states of the longest apply. */
#define RUNG_LONGEST_APPLY (4 + RUNG_MASK_BYTES + 1 + RUNG_MAX_PATH * RUNG_PATH_STEP_BYTES)
/* The longest request that is taken in, at most 200 bytes. More than an apply needs is waste. */
#ifndef RUNG_MAX_PAYLOAD
#define RUNG_MAX_PAYLOAD RUNG_LONGEST_APPLY
#endif

/* The longest reply is to identify: status, 5 bytes, boots, park, name. */
#define RUNG_NAME_BYTES (sizeof(RUNG_NAME) - 1U)
#define RUNG_MAX_REPLY_BODY (8U + RUNG_MASK_BYTES + RUNG_NAME_BYTES)
/* One code byte before the payload and one delimiter after it. */
#define RUNG_MAX_REPLY_FRAME (RUNG_MAX_REPLY_BODY + 4U + 2U)

#if RUNG_RELAY_COUNT < 1 || RUNG_RELAY_COUNT > 64
#error "RUNG_RELAY_COUNT is 1 to 64"
#endif
#if RUNG_MAX_PATH < 1 || RUNG_MAX_PATH > 16
#error "RUNG_MAX_PATH is 1 to 16"
#endif
#if RUNG_MAX_PAYLOAD > 200 || RUNG_MAX_PAYLOAD < RUNG_LONGEST_APPLY
#error "RUNG_MAX_PAYLOAD holds the longest apply and is at most 200"
#endif

#endif
