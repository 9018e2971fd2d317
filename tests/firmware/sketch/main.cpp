/* What hobby tool chains put around a sketch, as far as it matters to the firmware: interrupts that
 * run before setup, a clock of the tool chain's own in timer 0 that interrupts all the time, a
 * converter and a serial port that were set up otherwise. Common practice, no source. */
#include <avr/interrupt.h>
#include <avr/io.h>

void setup();
void loop();

static volatile unsigned long overflows;

ISR(TIMER0_OVF_vect)
{
    overflows++;
}

int main()
{
    sei();
    TCCR0A = _BV(WGM01) | _BV(WGM00);
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(TOIE0);
    TCCR2A = _BV(WGM20);
    TCCR2B = _BV(CS22);
    ADCSRA = _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0) | _BV(ADEN);
    UCSR0B = 0;
    setup();
    for (;;) {
        loop();
    }
}
