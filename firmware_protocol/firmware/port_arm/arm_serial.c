/* The line: USART1, PA10 in and PA9 out, driven by one interrupt both ways. */
#include <stddef.h>

#include "arm_board.h"
#include "arm_chip.h"

#define STATE_RECEIVED BIT(5)
#define STATE_CAN_SEND BIT(7)
#define ON BIT(13)
#define RECEIVE_ON BIT(2)
#define SEND_ON BIT(3)
#define RECEIVE_INTERRUPT BIT(5)
#define SEND_INTERRUPT BIT(7)
/* Below the tick, which has to see a handler that hangs. */
#define PRIORITY 0x80U
/* As many as a single-byte index can tell apart. An emulator brings bytes in at once, not at the
 * speed of the line, so a whole frame has to fit. */
#define RING_SIZE 256U

#if ARM_CLOCK_HZ / RUNG_BAUD < 80 || RUNG_BAUD < 1200
#error "RUNG_BAUD is 1200 to a megabaud"
#endif

static uint8_t ring[RING_SIZE];
static volatile uint8_t ring_head; /* written by the interrupt alone */
static volatile uint8_t ring_tail; /* written by the main loop alone */

static const uint8_t *volatile outgoing;
static volatile uint8_t outgoing_left;

void usart1_handler(void);

static void take_in(void)
{
    while ((USART_SR(USART1) & STATE_RECEIVED) != 0U) {
        uint8_t byte = (uint8_t)USART_DR(USART1);
        uint8_t next = (uint8_t)((ring_head + 1U) & (RING_SIZE - 1U));
        if (next != ring_tail) { /* a byte too many is lost; the checksum of its frame tells */
            ring[ring_head] = byte;
            ring_head = next;
        }
    }
}

static void send_on(void)
{
    while (outgoing_left != 0U && (USART_SR(USART1) & STATE_CAN_SEND) != 0U) {
        const uint8_t *next = outgoing;
        outgoing = next + 1;
        outgoing_left--;
        USART_DR(USART1) = *next;
    }
    if (outgoing_left == 0U) {
        USART_CR1(USART1) &= ~SEND_INTERRUPT;
    }
}

void usart1_handler(void)
{
    take_in();
    send_on();
}

void arm_serial_start(void)
{
    RCC_AHB1ENR |= BIT(0);
    RCC_APB2ENR |= BIT(4);
    GPIO_AFRH(GPIOA) = (GPIO_AFRH(GPIOA) & ~(0xFFUL << 4)) | (0x77UL << 4);
    GPIO_MODER(GPIOA) = (GPIO_MODER(GPIOA) & ~(0xFUL << 18)) | (0xAUL << 18);
    USART_BRR(USART1) = (arm_clock_hz() + RUNG_BAUD / 2U) / RUNG_BAUD;
    USART_CR1(USART1) = ON | RECEIVE_ON | SEND_ON | RECEIVE_INTERRUPT;
    INTERRUPT_PRIORITY(USART1_INTERRUPT) = PRIORITY;
    INTERRUPT_ENABLE(USART1_INTERRUPT) = BIT(USART1_INTERRUPT % 32U);
}

bool arm_serial_received(void)
{
    return ring_head != ring_tail;
}

int16_t arm_serial_receive(void *context)
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

void arm_serial_send(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    interrupts_off();
    outgoing = bytes;
    outgoing_left = count;
    USART_CR1(USART1) |= SEND_INTERRUPT;
    /* On a chip the line above is enough. Pended, the interrupt comes where it is not, too. */
    INTERRUPT_PEND(USART1_INTERRUPT) = BIT(USART1_INTERRUPT % 32U);
    interrupts_on();
}

bool arm_serial_sending(void *context)
{
    (void)context;
    return outgoing_left != 0U;
}
