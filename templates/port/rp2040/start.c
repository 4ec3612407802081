/* Start-up, the same in flash and in RAM: the vector table, and what happens before keyc_main(). */
#include "rp2040.h"

extern uint32_t keyc_link_stack_bottom, keyc_link_stack_top;
extern uint32_t keyc_link_bss_begin, keyc_link_bss_end;

#define KEYC_STACK_MARK 0x5AFEB077u
#define KEYC_WATCHDOG_COUNT (2u * 4000000u) /* erratum E1: it counts two for each microsecond */

_Noreturn void keyc_start(void);

/* An exception that nobody expects is a bug of ours: let go of every pin and begin again. */
static _Noreturn void unexpected(void)
{
    keyc_rp2040_restart();
}

void keyc_rp2040_all_is_well(void)
{
    if (keyc_link_stack_bottom != KEYC_STACK_MARK)
        keyc_rp2040_restart();
    KEYC_AT(KEYC_WATCHDOG_LOAD) = KEYC_WATCHDOG_COUNT;
}

#define KEYC_EXCEPTIONS 16u /* the stack's top counts as the first */
#define KEYC_INTERRUPTS 14u /* up to the last one that is used */

struct keyc_vectors {
    uint32_t *stack_top;
    void (*handlers[KEYC_EXCEPTIONS - 1u + KEYC_INTERRUPTS])(void);
};

#define KEYC_EXCEPTION(number) [(number) - 1u]
#define KEYC_INTERRUPT(number) [KEYC_EXCEPTIONS - 1u + (number)]

extern const struct keyc_vectors keyc_vectors;
__attribute__((section(".vectors"), used)) const struct keyc_vectors keyc_vectors = {
    &keyc_link_stack_top,
    {
        KEYC_EXCEPTION(1) = keyc_start,
        KEYC_EXCEPTION(2) = unexpected,
        KEYC_EXCEPTION(3) = unexpected,
        KEYC_EXCEPTION(11) = unexpected,
        KEYC_EXCEPTION(14) = unexpected,
        KEYC_EXCEPTION(15) = unexpected,
        KEYC_INTERRUPT(KEYC_INTERRUPT_TIMER_0) = keyc_rp2040_timer_handler,
        KEYC_INTERRUPT(KEYC_INTERRUPT_USB) = keyc_rp2040_usb_handler,
        KEYC_INTERRUPT(KEYC_INTERRUPT_IO_BANK0) = keyc_rp2040_io_handler,
    },
};

void keyc_start(void)
{
    KEYC_AT(KEYC_SIO_OE) = 0;
    KEYC_AT(KEYC_NVIC_ICER) = ~0u; /* the ROM may have left some */
    KEYC_AT(KEYC_NVIC_ICPR) = ~0u;
    for (uint32_t *word = &keyc_link_bss_begin; word < &keyc_link_bss_end;)
        *word++ = 0;
    keyc_link_stack_bottom = KEYC_STACK_MARK;
    __asm__ volatile("cpsie i" ::: "memory");
    keyc_rp2040_clocks_begin();
    KEYC_AT(KEYC_PSM_WDSEL) = KEYC_PSM_ALL_BUT_OSCILLATORS;
    KEYC_AT(KEYC_WATCHDOG_LOAD) = KEYC_WATCHDOG_COUNT;
    KEYC_AT(KEYC_WATCHDOG_CTRL) = KEYC_WATCHDOG_ENABLE;
    keyc_rp2040_time_begin();
    keyc_main();
}
