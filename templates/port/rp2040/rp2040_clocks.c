/* Clocks and resets (RP2040 datasheet 2.14 to 2.18). Any way to get here, power-on or
 * the watchdog, has reset the clocks' dividers to 1 and the PLLs' reference dividers too. */
#include "rp2040.h"

/* 64 ms in units of 256 crystal cycles: hand-soldered boards have slow crystals too. */
#define KEYC_CRYSTAL_START_DELAY 3000u
#define KEYC_CRYSTAL_MHZ 12u

static void release(uint32_t blocks)
{
    KEYC_CLEAR(KEYC_RESETS_RESET) = blocks;
    while (~KEYC_AT(KEYC_RESETS_DONE) & blocks) {
    }
}

/* The clock generators of clk_ref and clk_sys change over by themselves, without a glitch (2.15.3.2). */
static KEYC_NOT_INLINE void select_source(uint32_t control, uint32_t source)
{
    KEYC_AT(control) = source;
    while (KEYC_AT(control + KEYC_CLOCKS_SELECTED) != 1u << source) {
    }
}

/* That of clk_usb can't: it is stopped before the others change, which takes longer than its last cycles. */
static KEYC_NOT_INLINE void start_usb_clock(uint32_t source, uint32_t divider)
{
    uint32_t clocks = keyc_block_of(KEYC_CLOCKS_USB_CTRL);
    KEYC_IN(clocks, KEYC_CLOCKS_USB_DIV) = KEYC_CLOCKS_USB_DIVIDED_BY(divider);
    KEYC_IN(clocks, KEYC_CLOCKS_USB_CTRL) = source;
    KEYC_IN(clocks, KEYC_CLOCKS_USB_CTRL) = source | KEYC_CLOCKS_USB_ENABLE;
}

/* VCO = 12 MHz x `multiplier`, between 750 and 1600 MHz; out = VCO / first / second (2.18.2). */
static KEYC_NOT_INLINE void start_pll(uint32_t pll, uint32_t multiplier, uint32_t dividers)
{
    KEYC_AT(pll + KEYC_PLL_FBDIV) = multiplier;
    KEYC_CLEAR(pll + KEYC_PLL_PWR) = KEYC_PLL_POWER_DOWN | KEYC_PLL_VCO_DOWN;
    while (!(KEYC_AT(pll + KEYC_PLL_CS) & KEYC_PLL_LOCKED)) {
    }
    KEYC_AT(pll + KEYC_PLL_PRIM) = dividers;
    KEYC_CLEAR(pll + KEYC_PLL_PWR) = KEYC_PLL_POST_DIVIDERS_DOWN;
}

void keyc_rp2040_clocks_fast(void)
{
    KEYC_AT(KEYC_CLOCKS_USB_CTRL) = 0;
    start_pll(KEYC_PLL_SYS, 125, KEYC_PLL_DIVIDERS(6u, 2u)); /* 1500 MHz -> 125 MHz */
    start_pll(KEYC_PLL_USB, 100, KEYC_PLL_DIVIDERS(5u, 5u)); /* 1200 MHz -> 48 MHz */
    select_source(KEYC_CLOCKS_SYS_CTRL, KEYC_CLOCKS_SYS_FROM_AUX);
    start_usb_clock(KEYC_CLOCKS_USB_FROM_PLL_USB, 1);
}

KEYC_NOT_INLINE void keyc_rp2040_clocks_slow(void)
{
    KEYC_AT(KEYC_CLOCKS_USB_CTRL) = 0;
    select_source(KEYC_CLOCKS_SYS_CTRL, KEYC_CLOCKS_SYS_FROM_REF);
    KEYC_AT(KEYC_PLL_SYS + KEYC_PLL_PWR) = KEYC_PLL_ALL_DOWN;
    KEYC_AT(KEYC_PLL_USB + KEYC_PLL_PWR) = KEYC_PLL_ALL_DOWN;
    /* Erratum E12: clk_sys has to be faster than clk_usb, by a tenth at least. */
    start_usb_clock(KEYC_CLOCKS_USB_FROM_XOSC, 2);
}

void keyc_rp2040_clocks_begin(void)
{
    uint32_t crystal = keyc_block_of(KEYC_XOSC_CTRL);
    /* Everything off but the flash's pins; what is needed comes back below. */
    select_source(KEYC_CLOCKS_SYS_CTRL, KEYC_CLOCKS_SYS_FROM_REF);
    KEYC_AT(KEYC_RESETS_RESET) = KEYC_RESET_ALL & ~(KEYC_RESET_IO_QSPI | KEYC_RESET_PADS_QSPI);

    KEYC_IN(crystal, KEYC_XOSC_STARTUP) = KEYC_CRYSTAL_START_DELAY;
    KEYC_IN(crystal, KEYC_XOSC_CTRL) = KEYC_XOSC_1_TO_15_MHZ | KEYC_XOSC_ENABLE;
    while (!(KEYC_IN(crystal, KEYC_XOSC_STATUS) & KEYC_XOSC_STABLE)) {
    }
    select_source(KEYC_CLOCKS_REF_CTRL, KEYC_CLOCKS_REF_FROM_XOSC);

    release(KEYC_RESET_PLL_SYS | KEYC_RESET_PLL_USB);
    keyc_rp2040_clocks_fast();

    KEYC_AT(KEYC_WATCHDOG_TICK) = KEYC_CRYSTAL_MHZ | KEYC_WATCHDOG_TICK_ENABLE;
    release(KEYC_RESET_IO_BANK0 | KEYC_RESET_PADS_BANK0 | KEYC_RESET_TIMER | KEYC_RESET_USBCTRL);
}
