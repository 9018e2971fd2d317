/* The converter: channel 0 is what the builder likes, channel 1 the supply of the coils. */
#include <avr/io.h>

#include "avr_board.h"
#include "avr_chip.h"

#define FULL_SCALE 1024U /* the data sheet: raw = volts * 1024 / reference */

#if RUNG_SUPPLY_LEAST_MV
#define CHANNELS 2U
#define SUPPLY_CHANNEL 1U
#define SUPPLY_LEAST ((uint16_t)((uint32_t)RUNG_SUPPLY_LEAST_MV * FULL_SCALE / RUNG_REFERENCE_MV))
/* One low reading may be a spike of a coil: the second makes it a dip. */
#define LOW_READINGS 2U
#else
#define CHANNELS 1U
#endif

void avr_analogue_start(void)
{
    DIDR0 = (uint8_t)(_BV(CHANNELS) - 1U);
    ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz at 16 MHz */
}

static uint16_t convert(uint8_t channel)
{
    ADMUX = (uint8_t)(_BV(REFS0) | channel); /* against the supply */
    ADCSRA |= _BV(ADSC);
    while ((ADCSRA & _BV(ADSC)) != 0) { /* 0.1 ms */
    }
    return ADC;
}

bool avr_analogue_sense(void *context, uint8_t channel, struct rung_sample *sample)
{
    (void)context;
    if (channel >= CHANNELS) {
        return false;
    }
    sample->raw = convert(channel);
    sample->full_scale = FULL_SCALE;
    sample->reference_mv = RUNG_REFERENCE_MV;
    return true;
}

#if RUNG_SUPPLY_LEAST_MV
bool avr_analogue_supply_sound(void)
{
    static uint8_t low;
    if (convert(SUPPLY_CHANNEL) >= SUPPLY_LEAST) {
        low = 0;
    } else if (low < LOW_READINGS) {
        low++;
    } else {
        /* low for long */
    }
    return low < LOW_READINGS;
}
#endif
