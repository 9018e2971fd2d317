/* Relays on a chain of 8-bit shift registers with an output latch, clocked by hand.
 *
 * Enable PB0 (active low, with a pull-up), latch PA4, clock PA5, data PA7, read-back PA6. Relay 0 is
 * output 0 of the register next to the chip. */
#include <string.h>

#include "arm_board.h"
#include "arm_chip.h"
#include "rung_chain.h"

#define ENABLE 0U  /* of port B */
#define LATCH 4U   /* of port A, as the others */
#define CLOCK 5U
#define READ 6U
#define DATA 7U
#define OUTPUT(pin) (1UL << (2U * (pin)))
#define BOTH(pin) (3UL << (2U * (pin)))

/* A quarter of a microsecond at 84 MHz: registers at 3.3 V want a tenth. */
#define EDGE_TURNS 7U

static void edge(uint32_t port, uint32_t pin, bool high)
{
    volatile uint32_t turns = EDGE_TURNS;
    GPIO_BSRR(port) = high ? BIT(pin) : BIT(pin + 16U);
    while (turns > 0U) {
        turns--;
    }
}

void arm_outputs_release(void)
{
    GPIO_BSRR(GPIOB) = BIT(ENABLE);
}

void arm_outputs_start(void)
{
    RCC_AHB1ENR |= BIT(0) | BIT(1);
    arm_outputs_release(); /* high before it is an output: never a moment enabled */
    GPIO_MODER(GPIOB) = (GPIO_MODER(GPIOB) & ~BOTH(ENABLE)) | OUTPUT(ENABLE);
    GPIO_BSRR(GPIOA) = BIT(LATCH + 16U) | BIT(CLOCK + 16U);
    GPIO_MODER(GPIOA) = (GPIO_MODER(GPIOA) & ~(BOTH(LATCH) | BOTH(CLOCK) | BOTH(READ) | BOTH(DATA)))
        | OUTPUT(LATCH) | OUTPUT(CLOCK) | OUTPUT(DATA);
}

/* What the registers hold, the farthest first to go: for the record alone. */
static uint8_t shifted[RUNG_MASK_BYTES];

/* Returns what the chain gives out at its far end meanwhile. */
static uint8_t shift(uint8_t byte)
{
    uint8_t out = 0;
    uint8_t bit;
    memmove(&shifted[1], &shifted[0], RUNG_MASK_BYTES - 1U);
    shifted[0] = byte;
    for (bit = 0x80U; bit != 0U; bit >>= 1) {
        out = (uint8_t)(out << 1);
        if ((GPIO_IDR(GPIOA) & BIT(READ)) != 0U) {
            out |= 1U;
        }
        edge(GPIOA, DATA, (byte & bit) != 0U);
        edge(GPIOA, CLOCK, true);
        edge(GPIOA, CLOCK, false);
    }
    return out;
}

static void latch_and_enable(void)
{
    edge(GPIOA, LATCH, true); /* this edge moves all relays at once */
    edge(GPIOA, LATCH, false);
    GPIO_BSRR(GPIOB) = BIT(ENABLE + 16U);
    arm_record_latch(shifted);
}

#if RUNG_READBACK

static const struct rung_chain_pins pins = { shift, latch_and_enable, arm_outputs_release };
static struct rung_chain chain = { .pins = &pins };

void arm_outputs_latch(void *context, const uint8_t *mask)
{
    (void)context;
    rung_chain_latch(&chain, mask);
}

bool arm_outputs_sound(void)
{
    return rung_chain_check(&chain);
}

#else

void arm_outputs_latch(void *context, const uint8_t *mask)
{
    uint8_t i;
    (void)context;
    for (i = RUNG_MASK_BYTES; i > 0U; i--) { /* the farthest register first */
        (void)shift(mask[i - 1U]);
    }
    latch_and_enable();
}

bool arm_outputs_sound(void)
{
    return true;
}

#endif
