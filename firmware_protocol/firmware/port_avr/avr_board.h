/* Knows: what this board offers: pins, timer, converter, memory of an ATmega328P at 16 MHz.
 * Must not know: the protocol. */
#ifndef AVR_BOARD_H
#define AVR_BOARD_H

#include "rung_board.h"

/* How relays hang on the chip. */
#define AVR_OUTPUTS_CHAIN 1 /* shift registers with an output latch, up to 32 relays */
#define AVR_OUTPUTS_PINS 2  /* pins of the chip itself, up to 17 relays */
#ifndef AVR_OUTPUTS
#define AVR_OUTPUTS AVR_OUTPUTS_CHAIN
#endif

/* The converter's reference is the supply of the chip: measure yours and put it here. */
#ifndef AVR_REFERENCE_MV
#define AVR_REFERENCE_MV 5000
#endif

void avr_outputs_start(void);
void avr_outputs_latch(void *context, const uint8_t *mask);

void avr_serial_start(void);
int16_t avr_serial_receive(void *context);
void avr_serial_send(void *context, const uint8_t *bytes, uint8_t count);
bool avr_serial_sending(void *context);
/* Interrupts must be off: whether a byte waits. */
bool avr_serial_received(void);

#endif
