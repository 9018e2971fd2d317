/* The kinds of AVR chip this port fits, and which pins of each it uses. */
#ifndef AVR_CHIP_H
#define AVR_CHIP_H

#include <avr/io.h>

#if defined(__AVR_ATmega88__) || defined(__AVR_ATmega88A__) || defined(__AVR_ATmega88P__) \
    || defined(__AVR_ATmega88PA__) || defined(__AVR_ATmega168__) || defined(__AVR_ATmega168A__) \
    || defined(__AVR_ATmega168P__) || defined(__AVR_ATmega168PA__) || defined(__AVR_ATmega328__) \
    || defined(__AVR_ATmega328P__)
#define AVR_HAS_RELAY_PINS 1 /* the pins of OUTPUTS=pins */
#define PIN_ENABLE PB1
#define PIN_LATCH PB2
#define PIN_DATA PB3
#define PIN_READ PB4
#define PIN_CLOCK PB5
#define AVR_RECEIVED_VECTOR USART_RX_vect
#define AVR_SEND_VECTOR USART_UDRE_vect
#elif defined(__AVR_ATmega644__) || defined(__AVR_ATmega644P__) || defined(__AVR_ATmega1284__) \
    || defined(__AVR_ATmega1284P__)
#define PIN_ENABLE PB3
#define PIN_LATCH PB4
#define PIN_DATA PB5
#define PIN_READ PB6
#define PIN_CLOCK PB7
#define AVR_RECEIVED_VECTOR USART0_RX_vect
#define AVR_SEND_VECTOR USART0_UDRE_vect
#elif defined(__AVR_ATmega1280__) || defined(__AVR_ATmega2560__)
#define PIN_ENABLE PB4
#define PIN_LATCH PB0
#define PIN_DATA PB2
#define PIN_READ PB3
#define PIN_CLOCK PB1
#define AVR_RECEIVED_VECTOR USART0_RX_vect
#define AVR_SEND_VECTOR USART0_UDRE_vect
#else
#error "this port fits ATmega88, 168, 328, 644, 1284, 1280 and 2560 (and their A, P, PA kinds) only"
#endif

/* The pin of the latch clock is the slave select of the bus on each of them: as an output it keeps
 * the bus in the hands of the chip. */

#endif
