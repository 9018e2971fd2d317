/* The converter: PA0 is what the builder likes, PA1 the supply of the coils. */
#include "arm_board.h"
#include "arm_chip.h"

#define FULL_SCALE 4096U /* the data sheet: raw = volts * 4096 / reference */
#define CONVERTER_ON BIT(0)
#define START BIT(30)
#define DONE BIT(1)
#define CLOCK_BY_8 (3UL << 16)
#define SLOWEST 7UL
/* A conversion takes 0.05 ms; a converter that does not end is not waited for longer than twice. */
#define DONE_TRIES 1000U

#if RUNG_SUPPLY_LEAST_MV
#define CHANNELS 2U
#define SUPPLY_CHANNEL 1U
#define SUPPLY_LEAST ((uint16_t)((uint32_t)RUNG_SUPPLY_LEAST_MV * FULL_SCALE / RUNG_REFERENCE_MV))
/* One low reading may be a spike of a coil: the second makes it a dip. */
#define LOW_READINGS 2U
#else
#define CHANNELS 1U
#endif

void arm_analogue_start(void)
{
    RCC_AHB1ENR |= BIT(0);
    RCC_APB2ENR |= BIT(8);
    GPIO_MODER(GPIOA) |= (1UL << (2U * CHANNELS)) - 1UL; /* both bits of each: analogue */
    ADC_CCR = CLOCK_BY_8;
    ADC_SMPR2 = SLOWEST | (SLOWEST << 3);
    ADC_CR2 = CONVERTER_ON;
}

static uint16_t convert(uint8_t channel)
{
    uint16_t tries;
    ADC_SQR3 = channel;
    ADC_CR2 = CONVERTER_ON | START;
    for (tries = 0; tries < DONE_TRIES && (ADC_SR & DONE) == 0U; tries++) {
    }
    return (uint16_t)(ADC_DR & (FULL_SCALE - 1U));
}

bool arm_analogue_sense(void *context, uint8_t channel, struct rung_sample *sample)
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
bool arm_analogue_supply_sound(void)
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
