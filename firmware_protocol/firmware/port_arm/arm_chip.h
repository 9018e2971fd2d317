/* The registers of STM32F4-class chips (F401, F405, F407, F411) that this port uses, by the names of
 * the reference manual. */
#ifndef ARM_CHIP_H
#define ARM_CHIP_H

#include <stdint.h>

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define BIT(number) (1UL << (number))

/* reset and clock control */
#define RCC_CR REGISTER(0x40023800U)
#define RCC_PLLCFGR REGISTER(0x40023804U)
#define RCC_CFGR REGISTER(0x40023808U)
#define RCC_AHB1ENR REGISTER(0x40023830U)
#define RCC_APB1ENR REGISTER(0x40023840U)
#define RCC_APB2ENR REGISTER(0x40023844U)
#define RCC_CSR REGISTER(0x40023874U)
#define FLASH_ACR REGISTER(0x40023C00U)

/* ports */
#define GPIOA 0x40020000U
#define GPIOB 0x40020400U
#define GPIO_MODER(port) REGISTER((port) + 0x00U)
#define GPIO_IDR(port) REGISTER((port) + 0x10U)
#define GPIO_BSRR(port) REGISTER((port) + 0x18U)
#define GPIO_AFRH(port) REGISTER((port) + 0x24U)

/* serial ports: 1 is the line, 2 only in an emulator */
#define USART1 0x40011000U
#define USART2 0x40004400U
#define USART_SR(port) REGISTER((port) + 0x00U)
#define USART_DR(port) REGISTER((port) + 0x04U)
#define USART_BRR(port) REGISTER((port) + 0x08U)
#define USART_CR1(port) REGISTER((port) + 0x0CU)
#define USART1_INTERRUPT 37U

/* converter */
#define ADC_SR REGISTER(0x40012000U)
#define ADC_CR2 REGISTER(0x40012008U)
#define ADC_SMPR2 REGISTER(0x40012010U)
#define ADC_SQR3 REGISTER(0x40012034U)
#define ADC_DR REGISTER(0x4001204CU)
#define ADC_CCR REGISTER(0x40012304U)

/* independent watchdog */
#define IWDG_KR REGISTER(0x40003000U)
#define IWDG_PR REGISTER(0x40003004U)
#define IWDG_RLR REGISTER(0x40003008U)

/* of the processor itself */
#define SYSTICK_CONTROL REGISTER(0xE000E010U)
#define SYSTICK_RELOAD REGISTER(0xE000E014U)
#define SYSTICK_VALUE REGISTER(0xE000E018U)
#define INTERRUPT_ENABLE(number) REGISTER(0xE000E100U + 4U * ((number) / 32U))
#define INTERRUPT_PEND(number) REGISTER(0xE000E200U + 4U * ((number) / 32U))
#define INTERRUPT_PRIORITY(number) (*(volatile uint8_t *)(0xE000E400U + (number)))
#define RESET_CONTROL REGISTER(0xE000ED0CU)
#define RESET_NOW 0x05FA0004U

static inline void interrupts_off(void)
{
    __asm volatile("cpsid i" ::: "memory");
}

static inline void interrupts_on(void)
{
    __asm volatile("cpsie i" ::: "memory");
}

#endif
