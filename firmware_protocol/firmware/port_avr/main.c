/* Knows: how the core is joined to an ATmega328P at 16 MHz.
 * Must not know: the protocol. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "avr_board.h"
#include "rung_core.h"
#include "rung_forbidden.h"

#define TICKS_PER_MS (F_CPU / 64UL / 1000UL)
/* Away from address 0, which a failing supply is likeliest to spoil. */
#define SETTINGS ((void *)16)
#define SENSE_CHANNELS 1U
#define FULL_SCALE 1024U /* the data sheet: raw = volts * 1024 / reference */

volatile uint16_t rung_milliseconds; /* has a name outside so that an emulator can preset it */

ISR(TIMER0_COMPA_vect)
{
    rung_milliseconds++;
}

static uint16_t milliseconds(void *context)
{
    uint16_t now;
    (void)context;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        now = rung_milliseconds;
    }
    return now;
}

static bool sense(void *context, uint8_t channel, struct rung_sample *sample)
{
    (void)context;
    if (channel >= SENSE_CHANNELS) {
        return false;
    }
    ADMUX = (uint8_t)(_BV(REFS0) | channel); /* against the supply */
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) { /* 0.1 ms */
    }
    sample->raw = ADC;
    sample->full_scale = FULL_SCALE;
    sample->reference_mv = AVR_REFERENCE_MV;
    return true;
}

static void load(void *context, uint8_t *bytes, uint8_t count)
{
    (void)context;
    eeprom_read_block(bytes, SETTINGS, count);
}

static void store(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    eeprom_update_block(bytes, SETTINGS, count);
}

static void idle(void *context)
{
    (void)context;
    cli();
    if (avr_serial_received()) {
        sei();
        return;
    }
    sleep_enable();
    sei(); /* takes effect after the next instruction, so no byte slips in before the sleep */
    sleep_cpu();
    sleep_disable();
}

static const struct rung_board board = {
    .receive = avr_serial_receive,
    .send = avr_serial_send,
    .sending = avr_serial_sending,
    .milliseconds = milliseconds,
    .latch = avr_outputs_latch,
    .sense = sense,
    .load = load,
    .store = store,
    .forbidden = rung_forbidden,
    .idle = idle,
};

static struct rung_core core;

static void start_timer(void)
{
    TCCR0A = _BV(WGM01); /* clear on compare */
    TCCR0B = _BV(CS01) | _BV(CS00);
    OCR0A = (uint8_t)(TICKS_PER_MS - 1UL);
    TIMSK0 = _BV(OCIE0A);
}

static void start_converter(void)
{
    DIDR0 = _BV(ADC0D);
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
}

int main(void)
{
    uint8_t cause = MCUSR;
    MCUSR = 0;
    wdt_enable(WDTO_250MS);
    avr_outputs_start();
    start_timer();
    start_converter();
    avr_serial_start();
    SMCR = 0; /* the lightest sleep: timer and serial port go on */
    sei();

    rung_core_start(&core, &board);
    if ((cause & _BV(WDRF)) != 0) {
        rung_core_fault(&core); /* the program hung: somebody should know */
    }
    for (;;) {
        rung_core_poll(&core);
        wdt_reset();
    }
}
