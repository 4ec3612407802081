/* The flash chip's unique id: command 4Bh, four idle bytes, eight of id (common to serial flash chips).
 * Only for images in RAM: the flash can't be executed from meanwhile. */
#include "rp2040.h"

#define KEYC_READ_UNIQUE_ID 0x4Bu
#define KEYC_IDLE_BYTES 4u
#define KEYC_ID_BYTES 8u
#define KEYC_EIGHT_BITS_BOTH_WAYS (7u << 16)

static uint8_t exchange(uint8_t byte)
{
    KEYC_AT(KEYC_SSI_DR0) = byte;
    while (!(KEYC_AT(KEYC_SSI_SR) & KEYC_SSI_RECEIVED)) {
    }
    return (uint8_t)KEYC_AT(KEYC_SSI_DR0);
}

void keyc_rp2040_read_flash_id(uint8_t id[8])
{
    typedef void (*action)(void);
    ((action)(uintptr_t)keyc_rp2040_rom_function('I', 'F'))(); /* connect_internal_flash */
    ((action)(uintptr_t)keyc_rp2040_rom_function('E', 'X'))(); /* flash_exit_xip */
    KEYC_AT(KEYC_SSI_SSIENR) = 0;
    KEYC_AT(KEYC_SSI_CTRLR0) = KEYC_EIGHT_BITS_BOTH_WAYS;
    KEYC_AT(KEYC_SSI_SSIENR) = 1;
    KEYC_AT(KEYC_IO_QSPI_SELECT_CTRL) = KEYC_IO_OUTPUT_LOW;
    (void)exchange(KEYC_READ_UNIQUE_ID);
    for (uint32_t i = 0; i < KEYC_IDLE_BYTES; i++)
        (void)exchange(0);
    for (uint32_t i = 0; i < KEYC_ID_BYTES; i++)
        id[i] = exchange(0);
    KEYC_AT(KEYC_IO_QSPI_SELECT_CTRL) = KEYC_IO_OUTPUT_HIGH;
}
