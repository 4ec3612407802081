/* What has to be quick, by the Pico SDK's inline functions. See rp2040.h, which includes this. */
#ifndef KEYC_RP2040_QUICK_H
#define KEYC_RP2040_QUICK_H

#include "hardware/gpio.h"
#include "hardware/irq.h"
#include "hardware/sync.h"
#include "hardware/timer.h"

#define KEYC_CORE_MHZ (SYS_CLK_HZ / 1000000u) /* while the bus doesn't sleep */

/* The keyboard's lines, bit n is GPIO n. Other pins are nobody's here: what you build in may use them. */
extern uint32_t keyc_sdk_lines;

/* These low, every other line of the keyboard released. */
static inline void keyc_rp2040_drive_low(uint32_t lines)
{
    gpio_set_dir_masked(keyc_sdk_lines, lines);
}

/* This line driven high, and no other of the keyboard's driven; 0: the levels are as they were before. */
static inline void keyc_rp2040_drive_high(uint32_t line)
{
    gpio_set_dir_masked(keyc_sdk_lines, 0);
    gpio_put_masked(keyc_sdk_lines, line);
    gpio_set_dir_masked(keyc_sdk_lines, line);
}

/* Bit set = reads high. */
static inline uint32_t keyc_rp2040_read_levels(void)
{
    return gpio_get_all();
}

static inline uint32_t keyc_rp2040_now_us(void)
{
    return time_us_32();
}

/* Nothing of the USB state is touched from an interrupt here; this keeps TinyUSB's from lengthening a drive. */
static inline void keyc_rp2040_usb_hold(void)
{
    irq_set_enabled(USBCTRL_IRQ, false);
    __dsb();
    __isb();
}

static inline void keyc_rp2040_usb_let(void)
{
    irq_set_enabled(USBCTRL_IRQ, true);
}

#endif
