/* From the crystal to 84 MHz, which every chip of the class can do. */
#include "arm_board.h"
#include "arm_chip.h"

#define INTERNAL_HZ 16000000UL
#define READY_TRIES 200000UL

#define HSE_ON BIT(16)
#define HSE_READY BIT(17)
#define PLL_ON BIT(24)
#define PLL_READY BIT(25)
#define PLL_FROM_CRYSTAL BIT(22)
/* crystal / M = 1 MHz; times 336; divided by 4 (01), and by 7 for what needs 48 MHz */
#define PLL_CHOICE ((uint32_t)ARM_CRYSTAL_MHZ | (336UL << 6) | BIT(16) | PLL_FROM_CRYSTAL | (7UL << 24))
#define RUN_FROM_PLL 2UL
#define RUNS_FROM (RCC_CFGR >> 2 & 3UL)
#define APB1_HALF (4UL << 10)
/* Waits for memory: enough for 84 MHz at any supply above 2.1 V. */
#define MEMORY_WAITS 4UL

static uint32_t clock_hz = INTERNAL_HZ;

#if !ARM_EMULATED
static bool came(volatile uint32_t *where, uint32_t bit)
{
    uint32_t tries;
    for (tries = 0; tries < READY_TRIES; tries++) {
        if ((*where & bit) != 0U) {
            return true;
        }
    }
    return false;
}
#endif

bool arm_clock_start(void)
{
#if ARM_EMULATED
    clock_hz = ARM_CLOCK_HZ;
    return true;
#else
    RCC_CR |= HSE_ON;
    if (!came(&RCC_CR, HSE_READY)) {
        return false;
    }
    RCC_PLLCFGR = PLL_CHOICE;
    RCC_CR |= PLL_ON;
    if (!came(&RCC_CR, PLL_READY)) {
        return false;
    }
    FLASH_ACR = MEMORY_WAITS;
    RCC_CFGR = APB1_HALF | RUN_FROM_PLL;
    while (RUNS_FROM != RUN_FROM_PLL) { /* a few cycles; the watchdog is the end of it otherwise */
    }
    clock_hz = ARM_CLOCK_HZ;
    return true;
#endif
}

uint32_t arm_clock_hz(void)
{
    return clock_hz;
}
