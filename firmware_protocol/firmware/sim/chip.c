/* One emulated ATmega chip and what is soldered to it: WIRING.md, as a program. */
#include "chip.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <avr_adc.h>
#include <avr_ioport.h>
#include <avr_spi.h>
#include <avr_uart.h>
#include <sim_elf.h>
#include <sim_hex.h>
#include <sim_io.h>

#define CYCLES_PER_US (CHIP_HZ / 1000000UL)
#define BITS_PER_BYTE 10UL
/* The three ports follow each other within this. */
#define PINS_SETTLE_CYCLES 64U
#define PAINT 0xC5U
#define DATA_SPACE 0x800000UL
/* `rjmp .`: jumps to itself. */
#define JUMP_TO_ITSELF_LOW 0xFFU
#define JUMP_TO_ITSELF_HIGH 0xCFU

/* Pins of port B; the others follow from the bus. */
static const struct {
    const char *kind;
    unsigned enable;
    unsigned latch;
} kinds[] = {
    { "atmega88p", 1, 2 },  { "atmega168p", 1, 2 },  { "atmega328p", 1, 2 },
    { "atmega644p", 3, 4 }, { "atmega1284p", 3, 4 }, { "atmega2560", 4, 0 },
};

/* --- relays --------------------------------------------------------------------------------- */

static void report(struct chip *chip, uint64_t us)
{
    chip->on_latch(chip->context, us, chip->state);
}

static uint8_t driven(const struct chip *chip, char port)
{
    avr_ioport_state_t state;
    memset(&state, 0, sizeof(state));
    if (avr_ioctl(chip->avr, (uint32_t)AVR_IOCTL_IOPORT_GETSTATE(port), &state) != 0) {
        return 0;
    }
    return (uint8_t)(state.port & state.ddr);
}

/* Low only when the chip drives it low: a pull-up holds it otherwise. */
static bool outputs_enabled(const struct chip *chip)
{
    avr_ioport_state_t state;
    memset(&state, 0, sizeof(state));
    (void)avr_ioctl(chip->avr, AVR_IOCTL_IOPORT_GETSTATE('B'), &state);
    return (state.ddr & (1U << chip->enable_pin)) != 0U && (state.port & (1U << chip->enable_pin)) == 0U;
}

static void shift_bit(struct chip *chip, uint32_t in)
{
    chip->chain = ((chip->chain << 1) | in) & chip->chain_mask;
    if (chip->stuck) {
        chip->chain = (chip->chain & ~chip->stuck_stage) | chip->stuck_as;
    }
}

static void on_chain_byte(struct avr_irq_t *irq, uint32_t value, void *context)
{
    struct chip *chip = context;
    uint32_t out = 0;
    unsigned bit;
    (void)irq;
    for (bit = 8U; bit > 0U; bit--) {
        out = (out << 1) | ((chip->chain & chip->last_stage) != 0U ? 1U : 0U);
        shift_bit(chip, (value >> (bit - 1U)) & 1U);
    }
    avr_raise_irq(chip->chain_out, out); /* the last data-out, wired back */
}

void chip_stick(struct chip *chip, unsigned stage, bool high)
{
    chip->stuck = true;
    chip->stuck_stage = 1U << (stage % 32U);
    chip->stuck_as = high ? chip->stuck_stage : 0U;
}

void chip_mend(struct chip *chip)
{
    chip->stuck = false;
}

static void on_latch_pin(struct avr_irq_t *irq, uint32_t value, void *context)
{
    struct chip *chip = context;
    bool high = value != 0U;
    (void)irq;
    if (high && !chip->latch_high) {
        chip->latched = chip->chain;
        if (outputs_enabled(chip)) {
            chip->state = chip->latched;
            report(chip, chip_us(chip));
        }
    }
    chip->latch_high = high;
}

static void on_enable_pin(struct avr_irq_t *irq, uint32_t value, void *context)
{
    struct chip *chip = context;
    bool enabled = outputs_enabled(chip);
    (void)irq;
    if (value == 0U && enabled) {
        chip->state = chip->latched;
        report(chip, chip_us(chip));
    } else if (!enabled && chip->state != 0U) {
        chip->state = 0;
        report(chip, chip_us(chip));
    } else {
        /* released, and it was so before */
    }
}

static avr_cycle_count_t on_pins_settled(struct avr_t *avr, avr_cycle_count_t when, void *context)
{
    struct chip *chip = context;
    uint32_t d = (uint32_t)driven(chip, 'D') >> 2;
    uint32_t b = (uint32_t)driven(chip, 'B') & 0x3FU;
    uint32_t c = ((uint32_t)driven(chip, 'C') >> 1) & 0x1FU;
    (void)avr;
    (void)when;
    chip->settling = false;
    chip->state = d | (b << 6) | (c << 12);
    report(chip, chip->settling_us);
    return 0;
}

static void on_pins(struct avr_irq_t *irq, uint32_t value, void *context)
{
    struct chip *chip = context;
    (void)irq;
    (void)value;
    if (!chip->settling) {
        chip->settling = true;
        chip->settling_us = chip_us(chip);
        avr_cycle_timer_register(chip->avr, PINS_SETTLE_CYCLES, on_pins_settled, chip);
    }
}

static void watch_chain(struct chip *chip)
{
    avr_t *avr = chip->avr;
    chip->chain_out = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT),
                            on_chain_byte, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), (int)chip->latch_pin),
                            on_latch_pin, chip);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), (int)chip->enable_pin),
                            on_enable_pin, chip);
}

static void watch_pins(struct chip *chip)
{
    static const char ports[] = { 'B', 'C', 'D' };
    size_t i;
    for (i = 0; i < sizeof(ports); i++) {
        avr_irq_t *port = avr_io_getirq(chip->avr, (uint32_t)AVR_IOCTL_IOPORT_GETIRQ(ports[i]),
                                        IOPORT_IRQ_REG_PORT);
        avr_irq_register_notify(port, on_pins, chip);
    }
}

/* --- serial line ---------------------------------------------------------------------------- */

static avr_cycle_count_t on_line(struct avr_t *avr, avr_cycle_count_t when, void *context)
{
    struct chip *chip = context;
    uint8_t byte;
    (void)avr;
    if (chip->queue_count == 0U) {
        chip->line_busy = false;
        return 0;
    }
    byte = chip->queue[chip->queue_head];
    chip->queue_head = (chip->queue_head + 1U) % CHIP_QUEUE;
    chip->queue_count--;
    avr_raise_irq(chip->line_in, byte);
    return when + chip->cycles_per_byte;
}

static void on_line_out(struct avr_irq_t *irq, uint32_t value, void *context)
{
    const struct chip *chip = context;
    (void)irq;
    chip->on_sent(chip->context, (uint8_t)value);
}

static void join_line(struct chip *chip)
{
    uint32_t flags = 0;
    avr_t *avr = chip->avr;
    (void)avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_POLL_SLEEP | AVR_UART_FLAG_STDIO);
    (void)avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    chip->line_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_line_out, chip);
}

size_t chip_room(const struct chip *chip)
{
    return CHIP_QUEUE - chip->queue_count;
}

void chip_feed(struct chip *chip, const uint8_t *bytes, size_t count)
{
    size_t i;
    for (i = 0; i < count && chip->queue_count < CHIP_QUEUE; i++) {
        chip->queue[(chip->queue_head + chip->queue_count) % CHIP_QUEUE] = bytes[i];
        chip->queue_count++;
    }
    if (chip->queue_count > 0U && !chip->line_busy) {
        chip->line_busy = true;
        avr_cycle_timer_register(chip->avr, chip->cycles_per_byte, on_line, chip);
    }
}

/* --- power, reset, time --------------------------------------------------------------------- */

static void unhang(struct chip *chip)
{
    if (chip->hung) {
        memcpy(chip->avr->flash + chip->hung_at, chip->hung_bytes, sizeof(chip->hung_bytes));
        chip->hung = false;
    }
}

/* By the reset line or by the watchdog: the pins float, so the pull-ups release all relays. */
static void on_reset(struct avr_t *avr)
{
    struct chip *chip = avr->custom.data; /* see chip_start */
    chip->core_reset(avr);
    unhang(chip);
    chip->queue_count = 0;
    chip->line_busy = false;
    chip->settling = false;
    chip->latch_high = false;
    chip->state = 0;
    report(chip, chip_us(chip));
}

static void no_sleep(avr_t *avr, avr_cycle_count_t how_long)
{
    (void)avr;
    (void)how_long;
}

static avr_cycle_count_t on_stop(struct avr_t *avr, avr_cycle_count_t when, void *context)
{
    (void)avr;
    (void)when;
    (void)context;
    return 0;
}

static void find_symbols(struct chip *chip, const elf_firmware_t *firmware)
{
    uint32_t i;
    for (i = 0; i < firmware->symbolcount; i++) {
        const avr_symbol_t *symbol = firmware->symbol[i];
        uint32_t address = (uint32_t)(symbol->addr & ~DATA_SPACE);
        if (strcmp(symbol->symbol, "rung_milliseconds") == 0) {
            chip->milliseconds_at = address;
        } else if (strcmp(symbol->symbol, "_end") == 0) {
            chip->heap_at = address;
        } else {
            /* not of interest */
        }
    }
}

static bool find_kind(struct chip *chip, const char *kind)
{
    size_t i;
    for (i = 0; i < sizeof(kinds) / sizeof(kinds[0]); i++) {
        if (strcmp(kind, kinds[i].kind) == 0) {
            chip->enable_pin = kinds[i].enable;
            chip->latch_pin = kinds[i].latch;
            return true;
        }
    }
    return false;
}

/* Starts begin in the boot loader, as a fuse has it. */
static bool load_loader(struct chip *chip, const char *path)
{
    uint32_t count = 0;
    uint32_t start = 0;
    uint8_t *code = read_ihex_file(path, &count, &start);
    if (code == NULL || start > chip->avr->flashend || count > chip->avr->flashend + 1U - start) {
        free(code);
        return false;
    }
    memcpy(chip->avr->flash + start, code, count);
    free(code);
    chip->avr->reset_pc = start;
    chip->avr->pc = start;
    chip->avr->codeend = chip->avr->flashend;
    return true;
}

bool chip_start(struct chip *chip, const struct chip_parts *parts, chip_on_sent on_sent,
                chip_on_latch on_latch, void *context)
{
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof(firmware));
    chip->chain_mask = 0xFFFFFFFFU >> (32U - (parts->relays + 7U) / 8U * 8U);
    chip->last_stage = chip->chain_mask ^ (chip->chain_mask >> 1);
    chip->cycles_per_byte = CHIP_HZ * BITS_PER_BYTE / parts->baud;
    chip->on_sent = on_sent;
    chip->on_latch = on_latch;
    chip->context = context;
    if (!find_kind(chip, parts->kind) || elf_read_firmware(parts->image, &firmware) != 0) {
        return false;
    }
    chip->avr = avr_make_mcu_by_name(parts->kind);
    if (chip->avr == NULL || avr_init(chip->avr) != 0) {
        return false;
    }
    chip->avr->log = LOG_ERROR;
    chip->avr->frequency = CHIP_HZ;
    chip->avr->vcc = chip->avr->avcc = chip->avr->aref = 5000;
    chip->avr->sleep = no_sleep;
    avr_load_firmware(chip->avr, &firmware);
    chip->avr->frequency = CHIP_HZ;
    chip->avr->avcc = 5000;
    find_symbols(chip, &firmware);
    if (chip->heap_at == 0U || chip->milliseconds_at == 0U) {
        return false;
    }
    if (parts->loader != NULL && !load_loader(chip, parts->loader)) {
        return false;
    }
    memset(chip->avr->data + chip->heap_at, PAINT, chip->avr->ramend + 1U - chip->heap_at);
    chip->avr->custom.data = chip;
    chip->core_reset = chip->avr->reset;
    chip->avr->reset = on_reset;
    join_line(chip);
    if (parts->outputs == CHIP_CHAIN) {
        watch_chain(chip);
    } else {
        watch_pins(chip);
    }
    chip_set_millivolts(chip, 0, parts->input_mv);
    chip_set_millivolts(chip, 1, parts->supply_mv);
    return true;
}

uint64_t chip_us(const struct chip *chip)
{
    return chip->avr->cycle / CYCLES_PER_US;
}

bool chip_alive(const struct chip *chip)
{
    return !chip->dead;
}

static void step(struct chip *chip)
{
    int state = avr_run(chip->avr);
    if (state == cpu_Done || state == cpu_Crashed) {
        chip->dead = true;
    }
    if (chip->avr->pc == 0U) {
        unhang(chip); /* it starts afresh, without a reset */
    }
}

void chip_run_until(struct chip *chip, uint64_t us)
{
    avr_t *avr = chip->avr;
    avr_cycle_count_t end = us * CYCLES_PER_US;
    if (avr->cycle >= end) {
        return;
    }
    avr_cycle_timer_register(avr, end - avr->cycle, on_stop, chip);
    while (avr->cycle < end && !chip->dead) {
        step(chip);
    }
    avr_cycle_timer_cancel(avr, on_stop, chip);
}

void chip_restart(struct chip *chip)
{
    avr_reset(chip->avr);
}

uint16_t chip_milliseconds(const struct chip *chip)
{
    const uint8_t *at = &chip->avr->data[chip->milliseconds_at];
    return (uint16_t)(at[0] | (uint16_t)(at[1] << 8));
}

void chip_set_milliseconds(struct chip *chip, uint16_t milliseconds)
{
    chip->avr->data[chip->milliseconds_at] = (uint8_t)(milliseconds & 0xFFU);
    chip->avr->data[chip->milliseconds_at + 1U] = (uint8_t)(milliseconds >> 8);
}

void chip_set_millivolts(struct chip *chip, unsigned channel, uint32_t millivolts)
{
    if (channel < 8U) {
        avr_raise_irq(avr_io_getirq(chip->avr, AVR_IOCTL_ADC_GETIRQ, (int)channel), millivolts);
    }
}

void chip_hang(struct chip *chip)
{
    avr_t *avr = chip->avr;
    while (avr->state != cpu_Sleeping && !chip->dead) {
        step(chip); /* the main loop sleeps between milliseconds: there it is outside interrupts */
    }
    chip->hung_at = avr->pc;
    memcpy(chip->hung_bytes, avr->flash + avr->pc, sizeof(chip->hung_bytes));
    avr->flash[avr->pc] = JUMP_TO_ITSELF_LOW;
    avr->flash[avr->pc + 1U] = JUMP_TO_ITSELF_HIGH;
    chip->hung = true;
}

uint32_t chip_stack_bytes(const struct chip *chip)
{
    const avr_t *avr = chip->avr;
    uint32_t at = chip->heap_at;
    while (at <= avr->ramend && avr->data[at] == PAINT) {
        at++;
    }
    return avr->ramend + 1U - at;
}
