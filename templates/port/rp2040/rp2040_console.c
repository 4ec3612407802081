/* See rp2040_console.h. */
#include "rp2040_console.h"

#include "keyc_image.h"
#include "rp2040.h"

#define KEYC_SERIAL_DIGITS 16u

struct keyc_usb_console keyc_rp2040_console;

uint32_t keyc_rp2040_console_read(void *context, uint8_t *bytes, uint32_t room)
{
    uint32_t got;
    (void)context;
    keyc_rp2040_usb_hold();
    got = keyc_usb_console_read(&keyc_rp2040_console, bytes, (uint16_t)(room < UINT16_MAX ? room : UINT16_MAX));
    if (got)
        keyc_rp2040_usb_serve();
    else
        keyc_rp2040_usb_let();
    return got;
}

uint32_t keyc_rp2040_console_write(void *context, const uint8_t *bytes, uint32_t count)
{
    uint32_t taken;
    (void)context;
    keyc_rp2040_usb_hold();
    taken = keyc_usb_console_write(&keyc_rp2040_console, bytes, (uint16_t)(count < UINT16_MAX ? count : UINT16_MAX));
    keyc_rp2040_usb_serve();
    return taken;
}

bool keyc_rp2040_console_empty(void *context)
{
    bool empty;
    (void)context;
    keyc_rp2040_usb_hold();
    empty = keyc_rp2040_console.to_host.count == 0 && !keyc_rp2040_console.packet_kept;
    keyc_rp2040_usb_let();
    return empty;
}

static uint8_t serial[2u + 2u * KEYC_SERIAL_DIGITS]; /* a string descriptor */

/* False: the chip has told no id. */
static bool serial_made(const uint8_t id[8])
{
    static const uint8_t digits[] = "0123456789ABCDEF";
    uint8_t ones = 0xFFu, zeros = 0;
    serial[0] = (uint8_t)sizeof serial;
    serial[1] = KEYC_USB_DESCRIPTOR_STRING;
    for (uint32_t i = 0; i < KEYC_SERIAL_DIGITS; i++) {
        uint8_t byte = id[i / 2u];
        ones &= byte;
        zeros |= byte;
        serial[2u + 2u * i] = digits[i % 2u ? byte & 15u : byte >> 4];
    }
    return ones != 0xFFu && zeros != 0;
}

static void copy(uint8_t *to, const uint8_t *from, uint32_t count)
{
    while (count--)
        *to++ = *from++;
}

void keyc_rp2040_identify(struct keyc_bench_identity *identity, struct keyc_usb_identity *usb_identity)
{
    static uint8_t device_descriptor[KEYC_USB_DEVICE_DESCRIPTOR_BYTES];
    *identity = (struct keyc_bench_identity){
        .cathode_lines = keyc_image_lines.cathode,
        .anode_lines = keyc_image_lines.anode,
        .direct_lines = keyc_image_lines.direct,
        .lit_high = keyc_image_lines.lit_high,
    };
    copy(identity->wiring, keyc_image.wiring, sizeof identity->wiring);
    copy(identity->keymap, keyc_image.keymap, sizeof identity->keymap);
    copy(identity->engine, keyc_image.engine, sizeof identity->engine);
    keyc_rp2040_read_flash_id(identity->flash_id);
    *usb_identity = keyc_image.usb;
    copy(device_descriptor, usb_identity->device, sizeof device_descriptor);
    usb_identity->device = device_descriptor;
    if (serial_made(identity->flash_id)) {
        usb_identity->strings[KEYC_USB_STRING_SERIAL] = serial;
        device_descriptor[KEYC_USB_SERIAL_NUMBER_AT] = KEYC_USB_STRING_SERIAL;
    }
}
