/* Erratum E5 of the chips marked B0 and B1: after a reset of the bus the USB controller waits for 800 us of
 * an idle bus before it takes part, and behind a hub that is busy with other devices there is no such time.
 * The way round (the datasheet's appendix B, and Raspberry Pi's SDK): the controller is shown an idle bus
 * through the debugging input that GPIO15 can be, while the real bus keeps its pull-up. */
#include "rp2040.h"

#define KEYC_DEBUG_GPIO 15u
#define KEYC_IDLE_US 1000u

bool keyc_rp2040_has_erratum_5(void)
{
    return KEYC_CHIP_REVISION(KEYC_AT(KEYC_SYSINFO_CHIP_ID)) == KEYC_REVISION_B0_B1;
}

/* The pin is an input that keeps its level meanwhile, so whatever it is soldered to isn't driven. */
void keyc_rp2040_show_idle_bus(void)
{
    uint32_t block = keyc_block_of(KEYC_USB_MUXING);
    uint32_t pad = KEYC_AT(KEYC_PAD(KEYC_DEBUG_GPIO));
    uint32_t control = KEYC_AT(KEYC_IO_CTRL(KEYC_DEBUG_GPIO));
    KEYC_AT(KEYC_PAD(KEYC_DEBUG_GPIO)) = pad | KEYC_PAD_PULL_UP | KEYC_PAD_PULL_DOWN;
    KEYC_AT(KEYC_IO_CTRL(KEYC_DEBUG_GPIO)) =
        KEYC_IO_FUNCTION_USB_MUXING | KEYC_IO_OUTPUT_OFF | KEYC_IO_INPUT_HIGH;
    KEYC_IN(block, KEYC_USB_PHY_DIRECT) = KEYC_USB_PHY_PULL_UP;
    KEYC_IN(block, KEYC_USB_PHY_DIRECT_OVERRIDE) = KEYC_USB_PHY_PULL_UP_OVERRIDDEN;
    KEYC_IN(block, KEYC_USB_MUXING) = KEYC_USB_TO_DIGITAL_PAD | KEYC_USB_SOFT_CONNECT;
    keyc_rp2040_wait_us(KEYC_IDLE_US);
    KEYC_IN(block, KEYC_USB_MUXING) = KEYC_USB_TO_PHY | KEYC_USB_SOFT_CONNECT;
    KEYC_IN(block, KEYC_USB_PHY_DIRECT_OVERRIDE) = 0;
    KEYC_AT(KEYC_IO_CTRL(KEYC_DEBUG_GPIO)) = control;
    KEYC_AT(KEYC_PAD(KEYC_DEBUG_GPIO)) = pad;
}
