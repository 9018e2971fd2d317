/* Relays on pins of the chip itself.
 *
 * Relays 0..5 are PD2..PD7, 6..11 are PB0..PB5, 12..16 are PC1..PC5. All pins float until the
 * first state is latched, so each driver needs its own pull-down. The three ports follow each
 * other within a microsecond, a thousandth of the time a relay takes. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "avr_board.h"
#include "avr_chip.h"

#if AVR_OUTPUTS == AVR_OUTPUTS_PINS

#ifndef AVR_HAS_RELAY_PINS
#error "pins serve as outputs on ATmega88, 168 and 328 only; use the chain"
#endif
#if RUNG_RELAY_COUNT > 17
#error "the chip has 17 pins for relays; use the chain"
#endif
#if RUNG_SUPPLY_LEAST_MV && RUNG_RELAY_COUNT > 12
#error "analogue input 1 is the pin of relay 12: with it there are 12 pins for relays"
#endif

#define RELAYS ((1UL << RUNG_RELAY_COUNT) - 1UL)
#define PINS_D ((uint8_t)((RELAYS & 0x3FU) << 2))
#define PINS_B ((uint8_t)((RELAYS >> 6) & 0x3FU))
#define PINS_C ((uint8_t)(((RELAYS >> 12) & 0x1FU) << 1))

void avr_outputs_start(void)
{
    /* Nothing to do: ports read zero after a reset, and become outputs with the first state. */
}

void avr_outputs_release(void)
{
    /* Inputs first, so that the pull-downs take the drivers; then no pull-up of the chip's own. */
    DDRD &= (uint8_t)~PINS_D;
    DDRB &= (uint8_t)~PINS_B;
    DDRC &= (uint8_t)~PINS_C;
    PORTD &= (uint8_t)~PINS_D;
    PORTB &= (uint8_t)~PINS_B;
    PORTC &= (uint8_t)~PINS_C;
}

void avr_outputs_latch(void *context, const uint8_t *mask)
{
    uint8_t low = mask[0];
    uint8_t high = RUNG_MASK_BYTES > 1 ? mask[RUNG_MASK_BYTES > 1 ? 1 : 0] : 0U;
    uint8_t top = RUNG_MASK_BYTES > 2 ? mask[RUNG_MASK_BYTES > 2 ? 2 : 0] : 0U;
    uint8_t d = (uint8_t)(low << 2);
    uint8_t b = (uint8_t)((low >> 6) | (uint8_t)(high << 2)) & 0x3FU;
    uint8_t c = (uint8_t)((uint8_t)(high >> 4) | (uint8_t)(top << 4));
    (void)context;

    d = (uint8_t)((PORTD & (uint8_t)~PINS_D) | (d & PINS_D));
    b = (uint8_t)((PORTB & (uint8_t)~PINS_B) | (b & PINS_B));
    c = (uint8_t)((PORTC & (uint8_t)~PINS_C) | ((uint8_t)(c << 1) & PINS_C));
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        PORTD = d;
        PORTB = b;
        PORTC = c;
    }
    DDRD |= PINS_D;
    DDRB |= PINS_B;
    DDRC |= PINS_C;
}

#endif
