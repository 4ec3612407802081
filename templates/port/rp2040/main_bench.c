/* The bench image: a serial console that says which lines read low. It sends no key strokes. */
#include "bench.h"
#include "keyc_image.h"
#include "engine_usb_console.h"
#include "rp2040.h"

/* Flash, crystal and USB have pins of their own on this chip; all 30 GPIOs may be soldered to. */
#define KEYC_USABLE_PINS 0x3FFFFFFFu
#define KEYC_SERIAL_DIGITS 16u
#define KEYC_LOOK_AGAIN_US 1000000u

static struct keyc_usb usb;
static struct keyc_usb_console console;
static struct keyc_bench bench;
static uint8_t serial[2u + 2u * KEYC_SERIAL_DIGITS]; /* a string descriptor */
static uint32_t pulled_down;

/* A USB interrupt must not lengthen a drive, so it waits until the lines are let go: 13 us. */
static void port_drive_low(void *context, uint32_t lines)
{
    (void)context;
    keyc_rp2040_usb_hold();
    keyc_rp2040_drive_low(lines);
    if (!lines)
        keyc_rp2040_usb_let();
}

static void port_release(void *context)
{
    keyc_rp2040_edges_end();
    port_drive_low(context, 0);
    if (pulled_down)
        keyc_rp2040_pull_down(0, pulled_down);
    pulled_down = 0;
}

static void port_pull_down(void *context, uint32_t lines)
{
    port_release(context);
    keyc_rp2040_pull_down(lines, 0);
    pulled_down = lines;
}

static void note_edge(uint32_t gpio, bool high, uint32_t time_us)
{
    keyc_bench_note_edge(&bench, gpio, high, time_us);
}

/* USB goes on: nothing is measured by how long this drive takes. */
static void port_hold_low(void *context, uint32_t driven, uint32_t watched)
{
    port_release(context);
    keyc_rp2040_edges_begin(watched, note_edge);
    keyc_rp2040_drive_low(driven);
}

static void port_settle(void *context, uint32_t settle_us)
{
    (void)context;
    if (settle_us)
        keyc_rp2040_wait_us(settle_us);
}

static uint32_t port_read_levels(void *context)
{
    (void)context;
    return keyc_rp2040_read_levels();
}

static uint32_t port_now_us(void *context)
{
    (void)context;
    return keyc_rp2040_now_us();
}

static void port_restart_to_rom(void *context)
{
    (void)context;
    keyc_rp2040_restart_to_rom();
}

static uint32_t port_console_read(void *context, uint8_t *bytes, uint32_t room)
{
    uint32_t got;
    (void)context;
    keyc_rp2040_usb_hold();
    got = keyc_usb_console_read(&console, bytes, (uint16_t)(room < UINT16_MAX ? room : UINT16_MAX));
    if (got)
        keyc_rp2040_usb_serve();
    else
        keyc_rp2040_usb_let();
    return got;
}

static uint32_t port_console_write(void *context, const uint8_t *bytes, uint32_t count)
{
    uint32_t taken;
    (void)context;
    keyc_rp2040_usb_hold();
    taken = keyc_usb_console_write(&console, bytes, (uint16_t)(count < UINT16_MAX ? count : UINT16_MAX));
    keyc_rp2040_usb_serve();
    return taken;
}

static bool port_console_empty(void *context)
{
    bool empty;
    (void)context;
    keyc_rp2040_usb_hold();
    empty = console.to_host.count == 0 && !console.packet_kept;
    keyc_rp2040_usb_let();
    return empty;
}

static const struct keyc_bench_port port = {
    .lines =
        {
            .port_drive_low = port_drive_low,
            .port_release = port_release,
            .port_settle = port_settle,
            .port_read_levels = port_read_levels,
            .port_now_us = port_now_us,
            .port_restart_to_rom = port_restart_to_rom,
        },
    .port_pull_down = port_pull_down,
    .port_hold_low = port_hold_low,
    .port_console_read = port_console_read,
    .port_console_write = port_console_write,
    .port_console_empty = port_console_empty,
};

/* The flash chip's id as the serial number, so that the computer knows a board again. False: unknown. */
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

void keyc_main(void)
{
    static struct keyc_usb_identity usb_identity;
    static uint8_t device_descriptor[KEYC_USB_DEVICE_DESCRIPTOR_BYTES];
    struct keyc_bench_identity identity = {
        .usable_pins = KEYC_USABLE_PINS,
        .cathode_lines = keyc_image_lines.cathode,
        .anode_lines = keyc_image_lines.anode,
        .direct_lines = keyc_image_lines.direct,
    };
    copy(identity.wiring, keyc_image.wiring, sizeof identity.wiring);
    copy(identity.keymap, keyc_image.keymap, sizeof identity.keymap);
    copy(identity.engine, keyc_image.engine, sizeof identity.engine);
    keyc_rp2040_pins_begin(KEYC_USABLE_PINS);
    keyc_rp2040_read_flash_id(identity.flash_id);
    usb_identity = keyc_image.usb;
    copy(device_descriptor, usb_identity.device, sizeof device_descriptor);
    usb_identity.device = device_descriptor;
    if (serial_made(identity.flash_id)) {
        usb_identity.strings[KEYC_USB_STRING_SERIAL] = serial;
        device_descriptor[KEYC_USB_SERIAL_NUMBER_AT] = KEYC_USB_STRING_SERIAL;
    }

    keyc_usb_console_begin(&console);
    keyc_usb_begin(&usb, keyc_image.device, &usb_identity, &console);
    keyc_bench_begin(&bench, &identity, &port);
    keyc_rp2040_usb_begin(&usb);
    for (;;) {
        uint32_t bus_us = keyc_rp2040_usb_attend(false);
        uint32_t within_us = KEYC_LOOK_AGAIN_US;
        /* Nobody listens on a bus that sleeps, and the chip is too slow then for short drives. */
        if (usb.suspended)
            port_release(0);
        else
            within_us = keyc_bench_advance(&bench);
        keyc_rp2040_all_is_well();
        if (within_us > KEYC_LOOK_AGAIN_US)
            within_us = KEYC_LOOK_AGAIN_US;
        if (within_us)
            keyc_rp2040_sleep_until(keyc_rp2040_now_us() + (within_us < bus_us ? within_us : bus_us));
    }
}
