/* Milliseconds, and what happens when the main loop no longer comes round.
 *
 * The tick is the first watchdog: it sees a main loop that hangs, releases the outputs, leaves a mark
 * in memory that no start clears, and restarts the chip, so that the start knows. Behind it stands
 * the chip's own watchdog with a clock of its own, for the case that no interrupt runs any more. */
#include "arm_board.h"
#include "arm_chip.h"

#define HUNG_MS 250U
#define MARK_HUNG 0x52756E67UL

#define IWDG_WRITE 0x5555UL
#define IWDG_FEED 0xAAAAUL
#define IWDG_START 0xCCCCUL
/* 32 kHz / 32 = one step a millisecond, to half of it as the chip is */
#define IWDG_BY_32 3UL
#define IWDG_RELOAD 500UL
#define CSR_WATCHDOG (BIT(29) | BIT(30))
#define CSR_FORGET BIT(24)

volatile uint32_t rung_ticks_ms; /* has a name outside so that an emulator can be asked for it */
/* A test may preset the first of these through the emulator; zero otherwise. */
__attribute__((section(".kept"))) uint32_t rung_clock_preset;
__attribute__((section(".kept"))) static uint32_t mark;

static volatile uint32_t fed_ms;
static bool hung;

void systick_handler(void);

void arm_time_restart(void)
{
    arm_outputs_release();
    mark = MARK_HUNG;
    __asm volatile("dsb" ::: "memory");
    RESET_CONTROL = RESET_NOW;
    for (;;) {
    }
}

void systick_handler(void)
{
    uint32_t now = rung_ticks_ms + 1U;
    rung_ticks_ms = now;
    if (now - fed_ms >= HUNG_MS) {
        arm_time_restart();
    }
}

void arm_time_start(void)
{
    hung = mark == MARK_HUNG || (RCC_CSR & CSR_WATCHDOG) != 0U;
    mark = 0;
    RCC_CSR |= CSR_FORGET;
#if ARM_EMULATED
    rung_ticks_ms = rung_clock_preset;
#endif
    fed_ms = rung_ticks_ms;
    SYSTICK_RELOAD = arm_clock_hz() / 1000U - 1U;
    SYSTICK_VALUE = 0U;
    SYSTICK_CONTROL = 0x7U;
    IWDG_KR = IWDG_START;
    IWDG_KR = IWDG_WRITE;
    IWDG_PR = IWDG_BY_32;
    IWDG_RLR = IWDG_RELOAD;
    IWDG_KR = IWDG_FEED;
}

void arm_time_feed(void)
{
    fed_ms = rung_ticks_ms;
    IWDG_KR = IWDG_FEED;
}

bool arm_time_hung(void)
{
    return hung;
}
