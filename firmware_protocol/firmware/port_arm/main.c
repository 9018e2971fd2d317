/* How the core is joined to an STM32F4-class chip: its memory, its sleep, how it looks after itself. */
#include <stddef.h>

#include "arm_board.h"
#include "arm_chip.h"
#include "rung_core.h"
#include "rung_forbidden.h"

#define KEPT_BYTES 2U
#define KEPT_MARK 0x4B657074UL

/* How often the board looks after itself. */
#define SUPPLY_EVERY_MS 4U
#define READBACK_EVERY_MS 16U

/* The chip has no memory of settings: this survives a reset, and is forgotten with the power. */
__attribute__((section(".kept"))) static uint32_t kept_mark;
__attribute__((section(".kept"))) static uint8_t kept[KEPT_BYTES];

static bool clock_sound;

static uint16_t milliseconds(void *context)
{
    (void)context;
    return (uint16_t)rung_ticks_ms;
}

static void load(void *context, uint8_t *bytes, uint8_t count)
{
    uint8_t i;
    (void)context;
    for (i = 0; i < count && i < KEPT_BYTES; i++) {
        bytes[i] = kept_mark == KEPT_MARK ? kept[i] : 0xFFU;
    }
}

static void store(void *context, const uint8_t *bytes, uint8_t count)
{
    uint8_t i;
    (void)context;
    for (i = 0; i < count && i < KEPT_BYTES; i++) {
        kept[i] = bytes[i];
    }
    kept_mark = KEPT_MARK;
}

#if RUNG_READBACK || RUNG_SUPPLY_LEAST_MV
static bool due(uint32_t *last, uint32_t every_ms)
{
    if (rung_ticks_ms - *last < every_ms) {
        return false;
    }
    *last = rung_ticks_ms;
    return true;
}
#endif

/* Without its crystal the board keeps no time that a host could rely on, so it stays in fault. */
static bool sound(void *context)
{
    bool is_sound = clock_sound;
#if RUNG_READBACK
    static uint32_t read_back_at;
    static bool outputs_sound = true;
    if (due(&read_back_at, READBACK_EVERY_MS)) {
        outputs_sound = arm_outputs_sound();
    }
    is_sound = is_sound && outputs_sound;
#endif
#if RUNG_SUPPLY_LEAST_MV
    static uint32_t supply_at;
    static bool supply_sound = true;
    if (due(&supply_at, SUPPLY_EVERY_MS)) {
        supply_sound = arm_analogue_supply_sound();
    }
    is_sound = is_sound && supply_sound;
#endif
    (void)context;
    return is_sound;
}

static void idle(void *context)
{
    (void)context;
    /* With interrupts held back the processor still wakes for them, so no byte slips in between
     * the look and the sleep. */
    interrupts_off();
    if (!arm_serial_received()) {
        __asm volatile("wfi" ::: "memory");
    }
    interrupts_on();
}

static const struct rung_board board = {
    .context = NULL,
    .receive = arm_serial_receive,
    .send = arm_serial_send,
    .sending = arm_serial_sending,
    .milliseconds = milliseconds,
    .latch = arm_outputs_latch,
    .sense = arm_analogue_sense,
    .load = load,
    .store = store,
    .forbidden = rung_forbidden,
    .sound = sound,
    .idle = idle,
};

static struct rung_core core;

int main(void)
{
    arm_outputs_start();
    clock_sound = arm_clock_start();
    arm_time_start();
    arm_analogue_start();
    arm_serial_start();
    arm_record_start();

    rung_core_start(&core, &board);
    if (arm_time_hung()) {
        rung_core_fault(&core); /* the program hung: somebody should know */
    }
    for (;;) {
        rung_core_poll(&core);
        arm_time_feed();
    }
}
