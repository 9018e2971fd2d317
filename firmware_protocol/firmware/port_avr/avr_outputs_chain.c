/* Relays on a chain of 8-bit shift registers with an output latch.
 *
 * A pull-up on the enable line keeps every output off from power-up, and through a reset, until the
 * first state has been latched. Relay 0 is output 0 of the register next to the chip. With its last
 * data-out wired back, the chain says what it holds before anything is latched: a state that it
 * does not hold is not latched, and all outputs are switched off. */
#include <avr/io.h>

#include "avr_board.h"
#include "avr_chip.h"

#if AVR_OUTPUTS == AVR_OUTPUTS_CHAIN

#if RUNG_RELAY_COUNT > 32
#error "the chain is made for up to 32 relays"
#endif

void avr_outputs_start(void)
{
    PORTB |= _BV(PIN_ENABLE); /* high before it is an output: never a moment enabled */
    DDRB |= _BV(PIN_ENABLE) | _BV(PIN_LATCH) | _BV(PIN_DATA) | _BV(PIN_CLOCK);
    PORTB &= (uint8_t)~_BV(PIN_LATCH);
    SPCR = _BV(SPE) | _BV(MSTR);
    SPSR = _BV(SPI2X); /* half the chip's clock */
}

void avr_outputs_release(void)
{
    PORTB |= _BV(PIN_ENABLE);
    DDRB |= _BV(PIN_ENABLE);
}

/* Returns what the chain gives out at its far end meanwhile. */
static uint8_t shift(uint8_t byte)
{
    SPDR = byte;
    while ((SPSR & _BV(SPIF)) == 0) {
    }
    return SPDR;
}

static void latch_and_enable(void)
{
    PORTB |= _BV(PIN_LATCH); /* this edge moves all relays at once */
    PORTB &= (uint8_t)~_BV(PIN_LATCH);
    PORTB &= (uint8_t)~_BV(PIN_ENABLE);
}

#if RUNG_READBACK

#define TRIES 2U

static uint8_t wanted[RUNG_MASK_BYTES];
static bool sound;

/* Shifts the wanted mask in, or its complement; true when what comes out is `out` of the mask. */
static bool pass(uint8_t in, uint8_t out)
{
    bool same = true;
    uint8_t i;
    for (i = RUNG_MASK_BYTES; i > 0U; i--) { /* the farthest register first */
        same = shift(wanted[i - 1U] ^ in) == (uint8_t)(wanted[i - 1U] ^ out) && same;
    }
    return same;
}

/* Fills the chain with the wanted mask. Its complement goes first, so that every bit has been seen
 * to change: a line that is torn off or a stage that is stuck cannot look right. */
static bool fill(void)
{
    uint8_t tries;
    for (tries = 0; tries < TRIES; tries++) {
        (void)pass(0xFFU, 0U);
        if (pass(0U, 0xFFU) && pass(0U, 0U)) {
            return true;
        }
    }
    return false;
}

void avr_outputs_latch(void *context, const uint8_t *mask)
{
    uint8_t i;
    (void)context;
    for (i = 0; i < RUNG_MASK_BYTES; i++) {
        wanted[i] = mask[i];
    }
    sound = fill();
    if (sound) {
        latch_and_enable();
    } else {
        avr_outputs_release();
    }
}

bool avr_outputs_sound(void)
{
    bool before = sound;
    sound = fill();
    if (!sound) {
        avr_outputs_release();
    } else if (!before) {
        latch_and_enable(); /* the chain has come back: it holds what was latched last */
    } else {
        /* as it was: the latch keeps what it has */
    }
    return before && sound;
}

#else

void avr_outputs_latch(void *context, const uint8_t *mask)
{
    uint8_t i;
    (void)context;
    for (i = RUNG_MASK_BYTES; i > 0U; i--) { /* the farthest register first */
        (void)shift(mask[i - 1U]);
    }
    latch_and_enable();
}

#endif
#endif
