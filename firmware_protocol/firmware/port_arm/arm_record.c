/* In an emulator, tells what is latched as text on a second serial port, with the time. */
#include "arm_board.h"
#include "arm_chip.h"

#if ARM_EMULATED

#define CYCLES_PER_MS (ARM_CLOCK_HZ / 1000U)
#define CYCLES_PER_US (ARM_CLOCK_HZ / 1000000U)
#define ON BIT(13)
#define SEND_ON BIT(3)
#define CAN_SEND BIT(7)

extern uint32_t rung_clock_preset;

static void tell(char letter)
{
    while ((USART_SR(USART2) & CAN_SEND) == 0U) {
    }
    USART_DR(USART2) = (uint8_t)letter;
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
        before = rung_ticks_ms;
        cycles = CYCLES_PER_MS - 1U - SYSTICK_VALUE;
    } while (before != rung_ticks_ms);
    *us = cycles / CYCLES_PER_US;
    return before;
}

void arm_record_start(void)
{
    USART_CR1(USART2) = ON | SEND_ON;
}

void arm_record_latch(const uint8_t *mask)
{
    static const char hex[] = "0123456789abcdef";
    uint32_t us = 0;
    uint32_t ms = now_ms_and_us(&us);
    uint8_t i;
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

#else

void arm_record_start(void)
{
}

void arm_record_latch(const uint8_t *mask)
{
    (void)mask;
}

#endif
