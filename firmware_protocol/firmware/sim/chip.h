/* One emulated ATmega chip and what is soldered to it. */
#ifndef RUNG_CHIP_H
#define RUNG_CHIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <sim_avr.h>

#define CHIP_HZ 16000000UL
#define CHIP_QUEUE 8192U

enum chip_outputs { CHIP_CHAIN, CHIP_PINS };

typedef void (*chip_on_sent)(void *context, uint8_t byte);
typedef void (*chip_on_latch)(void *context, uint64_t us, uint32_t state);

/* What a board is put together from. */
struct chip_parts {
    const char *kind;   /* as simavr calls it: `atmega328p` */
    const char *image;  /* ELF of the firmware */
    const char *loader; /* HEX of a boot loader that starts first, or NULL */
    enum chip_outputs outputs;
    unsigned relays; /* the chain has as many registers of eight as these need */
    unsigned long baud;
    uint32_t input_mv;  /* at analogue input 0, at first */
    uint32_t supply_mv; /* at analogue input 1, at first */
};

struct chip {
    avr_t *avr;
    void (*core_reset)(struct avr_t *avr); /* simavr's own, for this kind of chip */
    unsigned enable_pin;
    unsigned latch_pin;
    avr_cycle_count_t cycles_per_byte;
    uint32_t chain_mask; /* as many outputs as the chain has */
    uint32_t last_stage; /* the one that is wired back */
    avr_irq_t *chain_out;
    bool stuck;
    uint32_t stuck_stage;
    uint32_t stuck_as;
    chip_on_sent on_sent;
    chip_on_latch on_latch;
    void *context;

    avr_irq_t *line_in;
    uint8_t queue[CHIP_QUEUE]; /* bytes on their way to the chip */
    size_t queue_head;
    size_t queue_count;
    bool line_busy;

    uint32_t chain;    /* what the shift registers hold */
    uint32_t state;    /* what the relays were last told */
    uint32_t latched;  /* what the registers' latch holds */
    bool latch_high;
    bool settling;     /* a change on the pins that is not reported yet */
    uint64_t settling_us;

    uint32_t milliseconds_at; /* data addresses, from the image's symbols */
    uint32_t heap_at;
    avr_flashaddr_t hung_at;  /* flash address of the instruction that `hang` replaced */
    uint8_t hung_bytes[2];    /* what stood there */
    bool hung;
    bool dead;
};

/* Powers the chip up; memory of settings is as delivered. False when the kind or an image is none. */
bool chip_start(struct chip *chip, const struct chip_parts *parts, chip_on_sent on_sent,
                chip_on_latch on_latch, void *context);

/* Microseconds of the chip's own clock since it was started; a restart does not set it back. */
uint64_t chip_us(const struct chip *chip);
void chip_run_until(struct chip *chip, uint64_t us);
bool chip_alive(const struct chip *chip);

/* Puts bytes on the line to the chip, behind those still on their way. */
size_t chip_room(const struct chip *chip);
void chip_feed(struct chip *chip, const uint8_t *bytes, size_t count);

/* Pulls the reset line. Settings stay. */
void chip_restart(struct chip *chip);
/* The firmware's own millisecond counter. */
uint16_t chip_milliseconds(const struct chip *chip);
void chip_set_milliseconds(struct chip *chip, uint16_t milliseconds);
void chip_set_millivolts(struct chip *chip, unsigned channel, uint32_t millivolts);
/* Stops the main loop until the program starts anew; interrupts go on. */
void chip_hang(struct chip *chip);
/* A stage of the chain that stays as it is, whatever is shifted in; and its repair. */
void chip_stick(struct chip *chip, unsigned stage, bool high);
void chip_mend(struct chip *chip);
/* The deepest the stack has been since power-up, interrupts included. */
uint32_t chip_stack_bytes(const struct chip *chip);

#endif
