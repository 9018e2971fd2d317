/* A boot loader that loads nothing, of our own writing: it treats the chip as real ones do before
 * they start the program, which is what the firmware's watchdog has to live with.
 *
 * LOADER_HIDES_CAUSE: reads why the chip was reset, wipes that out, stops the watchdog, and waits for
 * a programmer only when it was not the watchdog that reset the chip.
 * LOADER_IS_OLD: knows of no watchdog; always waits for a programmer, longer than the watchdog that
 * goes on after it has reset the chip allows.
 * Both write over the bottom of the memory, where they would keep what they receive. */
#include <avr/io.h>
#include <avr/wdt.h>
#include <util/delay.h>

#define RECEIVED_BYTES 256U
#define WAIT_MS 60

int main(void) __attribute__((naked, section(".init9")));

int main(void)
{
    volatile uint8_t *received = (volatile uint8_t *)RAMSTART;
    uint16_t i;
    __asm__ volatile("clr r1");
    SP = RAMEND;
    for (i = 0; i < RECEIVED_BYTES; i++) {
        received[i] = 0xB0U;
    }
#ifdef LOADER_HIDES_CAUSE
    {
        uint8_t cause = MCUSR;
        MCUSR = 0;
        wdt_disable();
        if ((cause & _BV(WDRF)) == 0) {
            _delay_ms(WAIT_MS);
        }
    }
#endif
#ifdef LOADER_IS_OLD
    _delay_ms(WAIT_MS);
#endif
    __asm__ volatile("clr r30\n\tclr r31\n\tijmp");
    for (;;) {
    }
}
