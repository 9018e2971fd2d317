/* The numbers a builder chooses for a board, each with a default, and the sizes that follow. What
 * does not fit together is refused when it is compiled. */
#ifndef RUNG_CONFIG_H
#define RUNG_CONFIG_H

#include <stdint.h>

/* The builder's choices, where there is such a file: the Makefile writes one for each build, and
 * the sketch library holds one to edit. */
#ifdef __has_include
#if __has_include("rung_choices.h")
#include "rung_choices.h"
#endif
#endif

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

/* The park state as a number: bit i is relay i. Everything released is the only state that a board
 * without power can hold as well; WIRING.md says why that matters. */
#ifndef RUNG_PARK_STATE
#define RUNG_PARK_STATE 0
#endif

/* RUNG_FORBIDDEN_STATE, a number too: relays that must never all be energised together. Left
 * undefined, every pattern is allowed. */

/* A state as the initialiser of a mask: low byte first, eight bytes whatever the count. */
#define RUNG_BYTE_OF(state, index) ((uint8_t)(((uint64_t)(state) >> (8 * (index))) & 0xFFU))
#define RUNG_MASK_OF(state) \
    { \
        RUNG_BYTE_OF(state, 0), RUNG_BYTE_OF(state, 1), RUNG_BYTE_OF(state, 2), \
            RUNG_BYTE_OF(state, 3), RUNG_BYTE_OF(state, 4), RUNG_BYTE_OF(state, 5), \
            RUNG_BYTE_OF(state, 6), RUNG_BYTE_OF(state, 7) \
    }
#define RUNG_MASK_ROOM 8

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
#if RUNG_PARK_STATE < 0 || (RUNG_RELAY_COUNT < 64 && (RUNG_PARK_STATE >> (RUNG_RELAY_COUNT % 64)) != 0)
#error "RUNG_PARK_STATE energises a relay beyond RUNG_RELAY_COUNT"
#endif
#ifdef RUNG_FORBIDDEN_STATE
#if RUNG_FORBIDDEN_STATE == 0
#error "RUNG_FORBIDDEN_STATE names no relay, and would forbid every state"
#endif
#if RUNG_FORBIDDEN_STATE < 0 \
    || (RUNG_RELAY_COUNT < 64 && (RUNG_FORBIDDEN_STATE >> (RUNG_RELAY_COUNT % 64)) != 0)
#error "RUNG_FORBIDDEN_STATE names a relay beyond RUNG_RELAY_COUNT: it would forbid nothing"
#endif
#if (RUNG_PARK_STATE & RUNG_FORBIDDEN_STATE) == RUNG_FORBIDDEN_STATE
#error "RUNG_PARK_STATE is forbidden by RUNG_FORBIDDEN_STATE"
#endif
#endif
#if defined(RUNG_PARK_MASK) || defined(RUNG_FORBIDDEN_MASK)
#error "states are numbers: RUNG_PARK_STATE and RUNG_FORBIDDEN_STATE"
#endif
#if RUNG_MAX_PATH < 1 || RUNG_MAX_PATH > 16
#error "RUNG_MAX_PATH is 1 to 16"
#endif
#if RUNG_MAX_PAYLOAD > 200 || RUNG_MAX_PAYLOAD < RUNG_LONGEST_APPLY
#error "RUNG_MAX_PAYLOAD holds the longest apply and is at most 200"
#endif
/* An array of -1 elements where it is longer: the preprocessor cannot count letters. */
typedef char rung_name_is_at_most_24_bytes[RUNG_NAME_BYTES <= 24U ? 1 : -1];

#endif
