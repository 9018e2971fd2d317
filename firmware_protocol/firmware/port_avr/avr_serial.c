/* The serial port of the chip, driven by interrupts both ways. */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "avr_board.h"
#include "avr_chip.h"

/* At double speed, rounded; 16 MHz make 117.6 kBd of 115200, 2.1 % off, which 8N1 bears. */
#define BAUD_DIVISOR ((F_CPU + RUNG_BAUD * 4UL) / (RUNG_BAUD * 8UL) - 1UL)
#define BAUD_MADE (F_CPU / (8UL * (BAUD_DIVISOR + 1UL)))
/* Both ends share what a frame of ten bits bears, 5 % in all; 2.2 % leaves the other end as much. */
#if BAUD_DIVISOR > 4095UL || BAUD_MADE * 1000UL > RUNG_BAUD * 1022UL \
    || BAUD_MADE * 1000UL < RUNG_BAUD * 978UL
#error "this clock does not make this baud rate to 2.2 %"
#endif

/* A power of two. The decoder takes bytes out faster than the line brings them in, so this only
 * bridges the moments in which a request is carried out. Indices are single bytes, so reading one
 * while an interrupt writes it is safe. */
#define RING_SIZE 64U

static uint8_t ring[RING_SIZE];
static volatile uint8_t ring_head; /* written by the interrupt alone */
static volatile uint8_t ring_tail; /* written by the main loop alone */

static const uint8_t *volatile outgoing;
static volatile uint8_t outgoing_left;

ISR(AVR_RECEIVED_VECTOR)
{
    uint8_t byte = UDR0;
    uint8_t next = (uint8_t)((ring_head + 1U) & (RING_SIZE - 1U));
    if (next != ring_tail) { /* a byte too many is lost; the checksum of its frame tells */
        ring[ring_head] = byte;
        ring_head = next;
    }
}

ISR(AVR_SEND_VECTOR)
{
    const uint8_t *next = outgoing;
    UDR0 = *next;
    outgoing = next + 1;
    outgoing_left--;
    if (outgoing_left == 0U) {
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
    }
}

void avr_serial_start(void)
{
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = (uint16_t)BAUD_DIVISOR; /* last: an emulator works the speed out here */
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

bool avr_serial_received(void)
{
    return ring_head != ring_tail;
}

int16_t avr_serial_receive(void *context)
{
    uint8_t tail = ring_tail;
    uint8_t byte;
    (void)context;
    if (tail == ring_head) {
        return -1;
    }
    byte = ring[tail];
    ring_tail = (uint8_t)((tail + 1U) & (RING_SIZE - 1U));
    return (int16_t)byte;
}

void avr_serial_send(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    outgoing = bytes;
    outgoing_left = count;
    UCSR0B |= _BV(UDRIE0);
}

bool avr_serial_sending(void *context)
{
    (void)context;
    return outgoing_left != 0U;
}
