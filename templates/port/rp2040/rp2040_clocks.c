/* Clocks and resets, once, at start-up (RP2040 datasheet 2.14 to 2.18). Any way to get here, power-on or
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

/* VCO = 12 MHz x `multiplier`, between 750 and 1600 MHz; out = VCO / first / second (2.18.2). */
static void start_pll(uint32_t pll, uint32_t multiplier, uint32_t first, uint32_t second)
{
    KEYC_AT(pll + KEYC_PLL_FBDIV) = multiplier;
    KEYC_CLEAR(pll + KEYC_PLL_PWR) = KEYC_PLL_POWER_DOWN | KEYC_PLL_VCO_DOWN;
    while (!(KEYC_AT(pll + KEYC_PLL_CS) & KEYC_PLL_LOCKED)) {
    }
    KEYC_AT(pll + KEYC_PLL_PRIM) = first << 16 | second << 12;
    KEYC_CLEAR(pll + KEYC_PLL_PWR) = KEYC_PLL_POST_DIVIDERS_DOWN;
}

void keyc_rp2040_clocks_begin(void)
{
    /* Everything off but the flash's pins; what is needed comes back below. */
    KEYC_AT(KEYC_CLOCKS_SYS_CTRL) = KEYC_CLOCKS_SYS_FROM_REF;
    while (KEYC_AT(KEYC_CLOCKS_SYS_SELECTED) != 1u << KEYC_CLOCKS_SYS_FROM_REF) {
    }
    KEYC_AT(KEYC_RESETS_RESET) = KEYC_RESET_ALL & ~(KEYC_RESET_IO_QSPI | KEYC_RESET_PADS_QSPI);

    KEYC_AT(KEYC_XOSC_CTRL) = KEYC_XOSC_1_TO_15_MHZ;
    KEYC_AT(KEYC_XOSC_STARTUP) = KEYC_CRYSTAL_START_DELAY;
    KEYC_SET(KEYC_XOSC_CTRL) = KEYC_XOSC_ENABLE;
    while (!(KEYC_AT(KEYC_XOSC_STATUS) & KEYC_XOSC_STABLE)) {
    }
    KEYC_AT(KEYC_CLOCKS_REF_CTRL) = KEYC_CLOCKS_REF_FROM_XOSC;
    while (KEYC_AT(KEYC_CLOCKS_REF_SELECTED) != 1u << KEYC_CLOCKS_REF_FROM_XOSC) {
    }

    release(KEYC_RESET_PLL_SYS | KEYC_RESET_PLL_USB);
    start_pll(KEYC_PLL_SYS, 125, 6, 2); /* 1500 MHz -> 125 MHz */
    start_pll(KEYC_PLL_USB, 100, 5, 5); /* 1200 MHz -> 48 MHz */
    KEYC_AT(KEYC_CLOCKS_SYS_CTRL) = KEYC_CLOCKS_SYS_FROM_AUX;
    while (KEYC_AT(KEYC_CLOCKS_SYS_SELECTED) != 1u << KEYC_CLOCKS_SYS_FROM_AUX) {
    }
    KEYC_AT(KEYC_CLOCKS_USB_CTRL) = KEYC_CLOCKS_USB_ENABLE;

    KEYC_AT(KEYC_WATCHDOG_TICK) = KEYC_CRYSTAL_MHZ | KEYC_WATCHDOG_TICK_ENABLE;
    release(KEYC_RESET_IO_BANK0 | KEYC_RESET_PADS_BANK0 | KEYC_RESET_TIMER | KEYC_RESET_USBCTRL);
}
