/* What has to be quick: a few instructions each. See rp2040.h, which includes this. */
#ifndef KEYC_RP2040_QUICK_H
#define KEYC_RP2040_QUICK_H

#include "rp2040_registers.h"

#define KEYC_CORE_MHZ 125u /* while the bus doesn't sleep: rp2040_clocks.c */

/* These low, every other one released. */
static inline void keyc_rp2040_drive_low(uint32_t lines)
{
    KEYC_AT(KEYC_SIO_OE) = lines;
}

/* This line driven high, and no other one driven; 0: the levels are as they were before. */
static inline void keyc_rp2040_drive_high(uint32_t line)
{
    KEYC_AT(KEYC_SIO_OE) = 0;
    KEYC_AT(KEYC_SIO_OUT) = line;
    KEYC_AT(KEYC_SIO_OE) = line;
}

/* Bit set = reads high. */
static inline uint32_t keyc_rp2040_read_levels(void)
{
    return KEYC_AT(KEYC_SIO_IN);
}

static inline uint32_t keyc_rp2040_now_us(void)
{
    return KEYC_AT(KEYC_TIMER_NOW);
}

static inline void keyc_rp2040_usb_hold(void)
{
    KEYC_AT(KEYC_NVIC_ICER) = 1u << KEYC_INTERRUPT_USB;
    __asm__ volatile("dsb\n isb" ::: "memory"); /* held from here on, and not a few instructions later */
}

static inline void keyc_rp2040_usb_let(void)
{
    __asm__ volatile("" ::: "memory");
    KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_USB;
}

#endif
