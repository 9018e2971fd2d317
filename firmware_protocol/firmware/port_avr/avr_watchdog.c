/* The watchdog: releases the outputs and leaves a mark before the hung program starts again.
 *
 * The chip says by itself that the watchdog reset it, but many a boot loader runs first and wipes
 * that out. So the watchdog interrupts before it resets, and the interrupt leaves a mark in memory
 * that no start clears: halfway up, since boot loaders use the bottom for what they receive and the
 * top for their stack (common practice, no source). A mark in one's own words is no accident of
 * memory that has just got its power once in 2^32. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "avr_board.h"

#define MARK (*(volatile uint32_t *)(RAMSTART + (RAMEND + 1U - RAMSTART) / 2U))
#define MARK_BIT 0x52756E67UL

/* Written before memory is set up, so it must not be cleared by that. */
static uint8_t cause __attribute__((section(".noinit")));

void avr_watchdog_early(void) __attribute__((naked, used, section(".init3")));

/* A watchdog that has reset the chip goes on with its shortest time: it is stopped before memory is
 * set up, and before whatever a sketch's own start does. */
void avr_watchdog_early(void)
{
    cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

void avr_watchdog_start(void)
{
    cli();
    wdt_reset();
    WDTCSR = _BV(WDCE) | _BV(WDE);
    WDTCSR = _BV(WDIE) | _BV(WDE) | _BV(WDP2); /* 0.25 s: interrupt, then reset */
}

void avr_watchdog_feed(void)
{
    wdt_reset();
}

bool avr_watchdog_bit(void)
{
    bool marked = MARK == MARK_BIT;
    if (marked) {
        MARK = 0;
    }
    return marked || (cause & _BV(WDRF)) != 0;
}

/* Fires once; had it been held off by interrupts that were disabled, the reset comes alone. */
ISR(WDT_vect)
{
    avr_outputs_release();
    MARK = MARK_BIT;
#if AVR_RESTART == AVR_RESTART_JUMP
    /* To address 0, where programs start. The watchdog goes on, and resets if this hangs too. */
    __asm__ volatile("clr r30\n\tclr r31\n\tijmp");
#else
    wdt_enable(WDTO_15MS);
#endif
    for (;;) {
    }
}
