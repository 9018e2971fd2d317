/* Relays on a chain of 8-bit shift registers with an output latch.
 *
 * A pull-up on the enable line keeps every output off from power-up, and through a reset, until the
 * first state has been latched. Relay 0 is output 0 of the register next to the chip. */
#include <avr/io.h>

#include "avr_board.h"
#include "avr_chip.h"
#include "rung_chain.h"

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

static const struct rung_chain_pins pins = { shift, latch_and_enable, avr_outputs_release };
static struct rung_chain chain = { .pins = &pins };

void avr_outputs_latch(void *context, const uint8_t *mask)
{
    (void)context;
    rung_chain_latch(&chain, mask);
}

bool avr_outputs_sound(void)
{
    return rung_chain_check(&chain);
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
