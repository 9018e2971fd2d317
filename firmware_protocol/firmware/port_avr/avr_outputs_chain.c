/* Knows: relays on a chain of 8-bit shift registers with an output latch.
 * Must not know: the protocol.
 *
 * Serial data on PB3, shift clock on PB5, latch clock on PB2, output enable (active low) on PB1.
 * A pull-up on the enable line keeps every relay released from power-up, and through a reset,
 * until the first state has been latched. Relay 0 is output 0 of the register next to the chip. */
#include <avr/io.h>

#include "avr_board.h"

#if AVR_OUTPUTS == AVR_OUTPUTS_CHAIN

#if RUNG_RELAY_COUNT > 32
#error "the chain is made for up to 32 relays"
#endif

#define PIN_ENABLE PB1
#define PIN_LATCH PB2
#define PIN_DATA PB3
#define PIN_CLOCK PB5

void avr_outputs_start(void)
{
    PORTB |= _BV(PIN_ENABLE); /* high before it is an output: never a moment enabled */
    DDRB |= _BV(PIN_ENABLE) | _BV(PIN_LATCH) | _BV(PIN_DATA) | _BV(PIN_CLOCK);
    SPCR = _BV(SPE) | _BV(MSTR);
    SPSR = _BV(SPI2X); /* 8 MHz */
}

void avr_outputs_latch(void *context, const uint8_t *mask)
{
    uint8_t i;
    (void)context;
    for (i = RUNG_MASK_BYTES; i > 0U; i--) { /* the farthest register first */
        SPDR = mask[i - 1U];
        while ((SPSR & _BV(SPIF)) == 0) {
        }
    }
    PORTB |= _BV(PIN_LATCH); /* this edge moves all relays at once */
    PORTB &= (uint8_t)~_BV(PIN_LATCH);
    PORTB &= (uint8_t)~_BV(PIN_ENABLE);
}

#endif
