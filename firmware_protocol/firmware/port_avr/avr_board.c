/* How the core is joined to an ATmega chip: its millisecond, its memory, its sleep. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/atomic.h>

#include "avr_board.h"
#include "avr_chip.h"
#include "rung_core.h"
#include "rung_forbidden.h"

#if F_CPU % 64000UL != 0 || F_CPU / 64000UL > 256UL || F_CPU < 8000000UL
#error "F_CPU must be 8 to 16 MHz and make whole milliseconds of 64 cycles each: 8 or 16 MHz"
#endif
#define TICKS_PER_MS (F_CPU / 64000UL)
/* Away from address 0, which a failing supply is likeliest to spoil. */
#define SETTINGS ((void *)16)

/* How often the board looks after itself. */
#define SUPPLY_EVERY_MS 4U
#define READBACK_EVERY_MS 16U

volatile uint16_t rung_milliseconds; /* has a name outside so that an emulator can preset it */

/* Timer 2: a sketch's own clock lives in timer 0. */
ISR(TIMER2_COMPA_vect)
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

#if RUNG_READBACK || RUNG_SUPPLY_LEAST_MV
static bool due(uint8_t *last, uint8_t now, uint8_t every_ms)
{
    if ((uint8_t)(now - *last) < every_ms) {
        return false;
    }
    *last = now;
    return true;
}

/* Between two looks what the last one found goes on to hold. */
static bool sound(void *context)
{
    uint8_t now = (uint8_t)milliseconds(context);
    bool is_sound = true;
#if RUNG_READBACK
    static uint8_t read_back_at;
    static bool outputs_sound = true;
    if (due(&read_back_at, now, READBACK_EVERY_MS)) {
        outputs_sound = avr_outputs_sound();
    }
    is_sound = outputs_sound;
#endif
#if RUNG_SUPPLY_LEAST_MV
    static uint8_t supply_at;
    static bool supply_sound = true;
    if (due(&supply_at, now, SUPPLY_EVERY_MS)) {
        supply_sound = avr_analogue_supply_sound();
    }
    is_sound = is_sound && supply_sound;
#endif
    return is_sound;
}
#define SOUND sound
#else
#define SOUND NULL
#endif

static const struct rung_board board = {
    .receive = avr_serial_receive,
    .send = avr_serial_send,
    .sending = avr_serial_sending,
    .milliseconds = milliseconds,
    .latch = avr_outputs_latch,
    .sense = avr_analogue_sense,
    .load = load,
    .store = store,
    .forbidden = rung_forbidden,
    .sound = SOUND,
    .idle = idle,
};

static struct rung_core core;

/* The watchdog's mark stands in the middle of the memory: neither what the program keeps, which is
 * the core and less than 128 bytes besides, nor the stack may grow up to it. */
typedef char memory_leaves_room_for_the_mark
    [sizeof(core) + 128U < (RAMEND + 1U - RAMSTART) / 2U ? 1 : -1];

static void start_timer(void)
{
    TCCR2A = _BV(WGM21); /* clear on compare */
    TCCR2B = _BV(CS22);  /* one tick is 64 cycles */
    OCR2A = (uint8_t)(TICKS_PER_MS - 1UL);
    TIMSK2 = _BV(OCIE2A);
}

void avr_board_start(void)
{
    avr_watchdog_start();
    avr_outputs_start();
    start_timer();
    avr_analogue_start();
    avr_serial_start();
    SMCR = 0; /* the lightest sleep: timer and serial port go on */
    sei();

    rung_core_start(&core, &board);
    if (avr_watchdog_bit()) {
        rung_core_fault(&core); /* the program hung: somebody should know */
    }
}

void avr_board_turn(void)
{
    rung_core_poll(&core);
    avr_watchdog_feed();
}
