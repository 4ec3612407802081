/* The boot ROM's functions (RP2040 datasheet 2.8.3), and restarting. */
#include "rp2040.h"

#define KEYC_ROM_FUNCTIONS 0x14u
#define KEYC_ROM_LOOK_UP 0x18u

/* An address that the compiler doesn't take for a null pointer with an offset. */
static uintptr_t rom_halfword(uintptr_t address)
{
    __asm__("" : "+r"(address));
    return *(const uint16_t *)address;
}

void *keyc_rp2040_rom_function(char first, char second)
{
    typedef void *(*look_up)(const uint16_t *table, uint32_t code);
    uint32_t code = (uint32_t)(uint8_t)first | (uint32_t)(uint8_t)second << 8;
    const uint16_t *functions = (const uint16_t *)rom_halfword(KEYC_ROM_FUNCTIONS);
    return ((look_up)rom_halfword(KEYC_ROM_LOOK_UP))(functions, code);
}

void keyc_rp2040_restart_to_rom(void)
{
    typedef void (*reset_to_usb_boot)(uint32_t activity_pins, uint32_t interfaces_off);
    KEYC_AT(KEYC_NVIC_ICER) = ~0u;
    KEYC_AT(KEYC_SIO_OE) = 0;
    KEYC_CLEAR(KEYC_USB_SIE_CTRL) = KEYC_USB_PULL_UP; /* the host sees us leave */
    ((reset_to_usb_boot)(uintptr_t)keyc_rp2040_rom_function('U', 'B'))(0, 0);
    keyc_rp2040_restart(); /* the ROM doesn't come back */
}

void keyc_rp2040_restart(void)
{
    KEYC_AT(KEYC_SIO_OE) = 0;
    KEYC_AT(KEYC_PSM_WDSEL) = KEYC_PSM_ALL_BUT_OSCILLATORS;
    KEYC_AT(KEYC_WATCHDOG_CTRL) = KEYC_WATCHDOG_TRIGGER;
    for (;;) {
    }
}
