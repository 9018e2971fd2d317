/* How an STM32F4-class chip comes up: the vector table, memory before main. */
#include <stdint.h>

#include "arm_board.h"

typedef void (*vector)(void);

/* From the linker script. */
extern uint32_t rung_stack_top[];
extern uint32_t rung_data_source[];
extern uint32_t rung_data_start[];
extern uint32_t rung_data_end[];
extern uint32_t rung_bss_start[];
extern uint32_t rung_bss_end[];

int main(void);
void reset_handler(void);
void systick_handler(void);
void usart1_handler(void);

/* A fault of the processor, or an interrupt that nobody asked for, is a program gone wrong. */
static void fault_handler(void)
{
    arm_time_restart();
}

void reset_handler(void)
{
    const uint32_t *from = rung_data_source;
    uint32_t *to;
    for (to = rung_data_start; to < rung_data_end; to++) {
        *to = *from;
        from++;
    }
    for (to = rung_bss_start; to < rung_bss_end; to++) {
        *to = 0U;
    }
    (void)main();
    fault_handler();
}

/* The first word is the stack pointer; then 15 of the processor, and the chip's up to USART1. */
struct vectors {
    uint32_t *stack_top;
    vector processor[15];
    vector chip[38];
};

__attribute__((section(".vectors"), used)) static const struct vectors vectors = {
    rung_stack_top,
    {
        reset_handler, fault_handler, fault_handler, fault_handler, fault_handler, fault_handler,
        0, 0, 0, 0,
        fault_handler, fault_handler, 0, fault_handler,
        systick_handler,
    },
    { [37] = usart1_handler },
};
