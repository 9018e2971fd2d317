/* What the files of this port offer each other, and the builder's choices that are about the chip.
 *
 * WIRING.md shows what is wired where. */
#ifndef ARM_BOARD_H
#define ARM_BOARD_H

#include "rung_board.h"

#ifndef RUNG_BAUD
#define RUNG_BAUD 115200
#endif
/* 1: the chain's last data-out is wired back, and read before each latch and every 16 ms. */
#ifndef RUNG_READBACK
#define RUNG_READBACK 0
#endif
/* The least voltage at analogue input 1, in mV, that says that the coils have their supply; below it
 * the board has a fault. 0: the input is not wired. */
#ifndef RUNG_SUPPLY_LEAST_MV
#define RUNG_SUPPLY_LEAST_MV 0
#endif
/* The converter's reference is the chip's analogue supply: measure yours and put it here. */
#ifndef RUNG_REFERENCE_MV
#define RUNG_REFERENCE_MV 3300
#endif
#ifndef ARM_CRYSTAL_MHZ
#define ARM_CRYSTAL_MHZ 8
#endif
/* 1: an emulator, which has no clock tree but one fixed clock, no ports and no watchdog; what is
 * latched is told on a second serial port as well. */
#ifndef ARM_EMULATED
#define ARM_EMULATED 0
#endif

#if ARM_CRYSTAL_MHZ < 4 || ARM_CRYSTAL_MHZ > 26
#error "ARM_CRYSTAL_MHZ is 4 to 26"
#endif
#if RUNG_SUPPLY_LEAST_MV < 0 || RUNG_SUPPLY_LEAST_MV >= RUNG_REFERENCE_MV
#error "RUNG_SUPPLY_LEAST_MV is a voltage at the pin, below RUNG_REFERENCE_MV"
#endif

#if ARM_EMULATED
#define ARM_CLOCK_HZ 168000000UL
#else
#define ARM_CLOCK_HZ 84000000UL
#endif

/* Runs the chip from its crystal. False when the crystal does not start: the chip goes on with its
 * own clock, on whose times nobody should rely. */
bool arm_clock_start(void);
/* Of the clock that runs; interrupts and serial port follow it. */
uint32_t arm_clock_hz(void);

/* Milliseconds since the start; arm_time_start makes them count. */
extern volatile uint32_t rung_ticks_ms;
void arm_time_start(void);
/* To be called by the main loop; when it is not for 250 ms, the chip restarts by itself. */
void arm_time_feed(void);
/* True when the chip was restarted because the main loop hung. */
bool arm_time_hung(void);
/* Releases the outputs, leaves a mark, restarts the chip. */
void arm_time_restart(void) __attribute__((noreturn));

void arm_outputs_start(void);
void arm_outputs_latch(void *context, const uint8_t *mask);
void arm_outputs_release(void);
bool arm_outputs_sound(void);

void arm_analogue_start(void);
bool arm_analogue_sense(void *context, uint8_t channel, struct rung_sample *sample);
/* False while the supply of the coils is too low. To be called every 4 ms. */
bool arm_analogue_supply_sound(void);

void arm_serial_start(void);
int16_t arm_serial_receive(void *context);
void arm_serial_send(void *context, const uint8_t *bytes, uint8_t count);
bool arm_serial_sending(void *context);
/* Interrupts must be off: whether a byte waits. */
bool arm_serial_received(void);

/* The record of what is latched; does nothing on a real chip. */
void arm_record_start(void);
void arm_record_latch(const uint8_t *mask);

#endif
