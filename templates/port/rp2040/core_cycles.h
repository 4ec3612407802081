/* SysTick as a counter of the core's cycles (ARMv6-M Architecture Reference Manual, B3.3). Only the bench
 * image counts, so nothing else has a use for it there. */
#ifndef KEYC_CORE_CYCLES_H
#define KEYC_CORE_CYCLES_H

#include <stdint.h>

#define KEYC_CYCLES_CONTROL (*(volatile uint32_t *)0xE000E010u)
#define KEYC_CYCLES_TOP (*(volatile uint32_t *)0xE000E014u)
#define KEYC_CYCLES_LEFT (*(volatile uint32_t *)0xE000E018u)
#define KEYC_CYCLES_ON_CORE_CLOCK 5u
#define KEYC_CYCLES_MASK 0xFFFFFFu

static inline void keyc_cycles_begin(void)
{
    KEYC_CYCLES_TOP = KEYC_CYCLES_MASK;
    KEYC_CYCLES_LEFT = 0; /* any write clears it */
    KEYC_CYCLES_CONTROL = KEYC_CYCLES_ON_CORE_CLOCK;
}

/* It counts down. */
static inline uint32_t keyc_cycles_left(void)
{
    return KEYC_CYCLES_LEFT;
}

/* How many have passed since it was `left`: fewer than 2^24. */
static inline uint32_t keyc_cycles_since(uint32_t left)
{
    return (left - KEYC_CYCLES_LEFT) & KEYC_CYCLES_MASK;
}

#endif
