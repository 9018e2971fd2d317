/* Knows: how the core is joined to a Cortex-M3 at 25 MHz with the CMSDK serial ports, as
 * `qemu-system-arm -M mps2-an385` has them.
 * Must not know: the protocol.
 *
 * This port shows that the core does not depend on one processor. The board has no relays: what
 * would be latched is written as text to its second serial port, with the time, and can be read
 * there. It has no analogue input either, so `sense` is unsupported. */
#include <stddef.h>

#include "rung_core.h"
#include "rung_forbidden.h"

#define CLOCK_HZ 25000000U
#define CYCLES_PER_MS (CLOCK_HZ / 1000U)
#define CYCLES_PER_US (CLOCK_HZ / 1000000U)
#define BAUD 115200U

struct uart {
    volatile uint32_t data;
    volatile uint32_t state;
    volatile uint32_t control;
    volatile uint32_t interrupt; /* write: clear */
    volatile uint32_t divisor;
};

#define UART0 ((struct uart *)0x40004000U)
#define UART1 ((struct uart *)0x40005000U)
#define UART_SEND_FULL 0x1U
#define UART_RECEIVE_FULL 0x2U
#define UART_SEND_ON 0x1U
#define UART_RECEIVE_ON 0x2U
#define UART_SEND_INTERRUPT 0x4U
#define UART_RECEIVE_INTERRUPT 0x8U
#define UART_CLEAR_SEND 0x1U
#define UART_CLEAR_RECEIVE 0x2U

#define SYSTICK_CONTROL (*(volatile uint32_t *)0xE000E010U)
#define SYSTICK_RELOAD (*(volatile uint32_t *)0xE000E014U)
#define SYSTICK_VALUE (*(volatile uint32_t *)0xE000E018U)
#define INTERRUPT_ENABLE (*(volatile uint32_t *)0xE000E100U)

/* As many as a single-byte index can tell apart. An emulator brings bytes in at once, not at the
 * speed of the line, so a whole frame has to fit. */
#define RING_SIZE 256U
#define KEPT_BYTES 2U
#define KEPT_MARK 0x52756E67U

static uint8_t ring[RING_SIZE];
static volatile uint8_t ring_head;
static volatile uint8_t ring_tail;

static const uint8_t *volatile outgoing;
static volatile uint8_t outgoing_left;

static volatile uint32_t ticks_ms;

__attribute__((section(".kept"))) static uint32_t kept_mark;
__attribute__((section(".kept"))) static uint8_t kept[KEPT_BYTES];
/* A test may preset this through the emulator; zero otherwise. */
__attribute__((section(".kept"))) uint32_t rung_clock_preset;

void systick_handler(void);
void uart0_receive_handler(void);
void uart0_send_handler(void);

void systick_handler(void)
{
    ticks_ms++;
}

void uart0_receive_handler(void)
{
    uint8_t next;
    UART0->interrupt = UART_CLEAR_RECEIVE;
    while ((UART0->state & UART_RECEIVE_FULL) != 0U) {
        uint8_t byte = (uint8_t)UART0->data;
        next = (uint8_t)((ring_head + 1U) & (RING_SIZE - 1U));
        if (next != ring_tail) {
            ring[ring_head] = byte;
            ring_head = next;
        }
    }
}

static void send_next(void)
{
    while (outgoing_left != 0U && (UART0->state & UART_SEND_FULL) == 0U) {
        const uint8_t *next = outgoing;
        outgoing = next + 1;
        outgoing_left--;
        UART0->data = *next;
    }
}

void uart0_send_handler(void)
{
    UART0->interrupt = UART_CLEAR_SEND;
    send_next();
}

static int16_t receive(void *context)
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

static void send(void *context, const uint8_t *bytes, uint8_t count)
{
    (void)context;
    __asm volatile("cpsid i" ::: "memory");
    outgoing = bytes;
    outgoing_left = count;
    send_next(); /* the interrupt comes when this first byte has left the buffer */
    __asm volatile("cpsie i" ::: "memory");
}

static bool sending(void *context)
{
    (void)context;
    return outgoing_left != 0U;
}

static uint16_t milliseconds(void *context)
{
    (void)context;
    return (uint16_t)ticks_ms;
}

/* --- the record of what is latched --------------------------------------------------------- */

static void tell(char letter)
{
    while ((UART1->state & UART_SEND_FULL) != 0U) {
    }
    UART1->data = (uint8_t)letter;
}

static void tell_word(const char *word)
{
    while (*word != '\0') {
        tell(*word);
        word++;
    }
}

static void tell_number(uint32_t number)
{
    char digits[11];
    uint8_t at = sizeof(digits) - 1U;
    digits[at] = '\0';
    do {
        at--;
        digits[at] = (char)('0' + number % 10U);
        number /= 10U;
    } while (number != 0U);
    tell_word(&digits[at]);
}

/* Microseconds of the running millisecond, and that millisecond, read so that they belong
 * together. */
static uint32_t now_ms_and_us(uint32_t *us)
{
    uint32_t before;
    uint32_t cycles;
    do {
        before = ticks_ms;
        cycles = CYCLES_PER_MS - 1U - SYSTICK_VALUE;
    } while (before != ticks_ms);
    *us = cycles / CYCLES_PER_US;
    return before;
}

static void latch(void *context, const uint8_t *mask)
{
    static const char hex[] = "0123456789abcdef";
    uint32_t us = 0;
    uint32_t ms = now_ms_and_us(&us);
    uint8_t i;
    (void)context;
    tell_word("latch ");
    tell_number((ms - rung_clock_preset) * 1000U + us);
    tell_word(" 0x");
    for (i = RUNG_MASK_BYTES; i > 0U; i--) {
        tell(hex[mask[i - 1U] >> 4]);
        tell(hex[mask[i - 1U] & 0x0FU]);
    }
    tell(' ');
    tell_number(ms & 0xFFFFU);
    tell('\n');
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

static void idle(void *context)
{
    (void)context;
    /* With interrupts held back the processor still wakes for them, so no byte slips in between
     * the look and the sleep. */
    __asm volatile("cpsid i" ::: "memory");
    if (ring_head == ring_tail) {
        __asm volatile("wfi" ::: "memory");
    }
    __asm volatile("cpsie i" ::: "memory");
}

static const struct rung_board board = {
    .context = NULL,
    .receive = receive,
    .send = send,
    .sending = sending,
    .milliseconds = milliseconds,
    .latch = latch,
    .sense = NULL,
    .load = load,
    .store = store,
    .forbidden = rung_forbidden,
    .idle = idle,
};

static struct rung_core core;

int main(void)
{
    UART1->divisor = CLOCK_HZ / BAUD;
    UART1->control = UART_SEND_ON;
    UART0->divisor = CLOCK_HZ / BAUD;
    UART0->control = UART_SEND_ON | UART_RECEIVE_ON | UART_SEND_INTERRUPT | UART_RECEIVE_INTERRUPT;
    INTERRUPT_ENABLE = 0x3U;
    ticks_ms = rung_clock_preset;
    SYSTICK_RELOAD = CYCLES_PER_MS - 1U;
    SYSTICK_VALUE = 0U;
    SYSTICK_CONTROL = 0x7U;

    rung_core_start(&core, &board);
    for (;;) {
        rung_core_poll(&core);
    }
}
