/* What the files of this port offer each other, and the builder's choices that are about the chip.
 *
 * WIRING.md shows what is wired where. */
#ifndef AVR_BOARD_H
#define AVR_BOARD_H

#include "rung_board.h"

/* How relays hang on the chip. */
#define AVR_OUTPUTS_CHAIN 1 /* shift registers with an output latch, up to 32 relays */
#define AVR_OUTPUTS_PINS 2  /* pins of the chip itself, up to 17 relays; 28-pin chips only */
#ifndef AVR_OUTPUTS
#define AVR_OUTPUTS AVR_OUTPUTS_CHAIN
#endif

/* 1: the chain's last data-out is wired back, and read before each latch and every 16 ms. */
#ifndef RUNG_READBACK
#define RUNG_READBACK 0
#endif

/* The least voltage at analogue input 1, in mV, that says that the coils have their supply, seen
 * through a divider; below it the board has a fault. 0: the input is not wired. */
#ifndef RUNG_SUPPLY_LEAST_MV
#define RUNG_SUPPLY_LEAST_MV 0
#endif

/* The converter's reference is the supply of the chip: measure yours and put it here. */
#ifndef RUNG_REFERENCE_MV
#define RUNG_REFERENCE_MV 5000
#endif

/* How the watchdog brings a hung program back, outputs released and the hang marked first: by a
 * reset of the whole chip, or by a jump to the program's start. A boot loader that leaves the
 * watchdog running after a reset by it never comes out of that reset: there it takes the jump. */
#define AVR_RESTART_RESET 1
#define AVR_RESTART_JUMP 2
#ifndef AVR_RESTART
#define AVR_RESTART AVR_RESTART_RESET
#endif

#ifndef RUNG_BAUD
#define RUNG_BAUD 115200
#endif

#if RUNG_SUPPLY_LEAST_MV < 0 || RUNG_SUPPLY_LEAST_MV >= RUNG_REFERENCE_MV
#error "RUNG_SUPPLY_LEAST_MV is a voltage at the pin, below RUNG_REFERENCE_MV"
#endif
#if RUNG_READBACK && AVR_OUTPUTS != AVR_OUTPUTS_CHAIN
#error "only a chain can be read back"
#endif
#if AVR_RESTART != AVR_RESTART_RESET && AVR_RESTART != AVR_RESTART_JUMP
#error "AVR_RESTART is AVR_RESTART_RESET or AVR_RESTART_JUMP"
#endif

/* Sets the pins up, with all relays released. */
void avr_outputs_start(void);
void avr_outputs_latch(void *context, const uint8_t *mask);
/* Releases all relays, whatever the program is doing; for an interrupt that does not come back. */
void avr_outputs_release(void);
/* Reads the chain back: rung_chain_check. */
bool avr_outputs_sound(void);

void avr_analogue_start(void);
bool avr_analogue_sense(void *context, uint8_t channel, struct rung_sample *sample);
/* False while the supply of the coils is too low. To be called every 4 ms. */
bool avr_analogue_supply_sound(void);

void avr_serial_start(void);
int16_t avr_serial_receive(void *context);
void avr_serial_send(void *context, const uint8_t *bytes, uint8_t count);
bool avr_serial_sending(void *context);
/* Interrupts must be off: whether a byte waits. */
bool avr_serial_received(void);

/* The watchdog runs from here on, and must be fed every 250 ms. */
void avr_watchdog_start(void);
void avr_watchdog_feed(void);
/* True when this start is one that the watchdog made. */
bool avr_watchdog_bit(void);

/* The whole board: parks and listens. Call once, then turn for ever. */
void avr_board_start(void);
void avr_board_turn(void);

#endif
