/* Knows: how a Cortex-M3 comes up: the vector table, memory before main.
 * Must not know: anything else of the board. */
#include <stdint.h>

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
void uart0_receive_handler(void);
void uart0_send_handler(void);

/* A fault of the processor ends in a fresh start, which parks. */
static void fault_handler(void)
{
    volatile uint32_t *const reset_control = (volatile uint32_t *)0xE000ED0CU; /* AIRCR */
    *reset_control = 0x05FA0004U;
    for (;;) {
    }
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

/* The first word is the stack pointer, the others are addresses of functions. */
struct vectors {
    uint32_t *stack_top;
    vector handlers[17];
};

__attribute__((section(".vectors"), used)) static const struct vectors vectors = {
    rung_stack_top,
    {
        reset_handler, fault_handler, fault_handler, fault_handler, fault_handler, fault_handler,
        0, 0, 0, 0,
        fault_handler, fault_handler, 0, fault_handler,
        systick_handler,
        uart0_receive_handler, uart0_send_handler,
    },
};
