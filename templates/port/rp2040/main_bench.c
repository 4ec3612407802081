/* The bench image: a serial console that says which lines read low. It sends no key strokes. */
#include "bench.h"
#include "core_cycles.h"
#include "keyc_image.h"
#include "rp2040.h"
#include "rp2040_console.h"

/* Flash, crystal and USB have pins of their own on this chip; all 30 GPIOs may be soldered to. */
#define KEYC_USABLE_PINS 0x3FFFFFFFu
#define KEYC_LOOK_AGAIN_US 1000000u

static struct keyc_usb usb;
static struct keyc_bench bench;
static uint32_t pulled_down, driven_high;

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
    if (driven_high)
        keyc_rp2040_drive_high(0);
    driven_high = 0;
    port_drive_low(context, 0);
    if (pulled_down)
        keyc_rp2040_pull_down(0, pulled_down);
    pulled_down = 0;
}

/* The USB interrupt waits until the lines have risen, so that it doesn't count. */
static uint32_t port_release_timed(void *context, uint32_t risen)
{
    uint32_t most = KEYC_BENCH_TIMED_US * KEYC_CORE_MHZ, left, passed, low;
    keyc_rp2040_drive_low(0);
    left = keyc_cycles_left();
    do {
        passed = keyc_cycles_since(left); /* before it reads: what it takes to do both isn't the lines' */
        low = risen & ~keyc_rp2040_read_levels();
    } while (low != 0 && passed < most);
    (void)context;
    keyc_rp2040_usb_let();
    return low != 0 ? 0 : passed * (1000u / KEYC_CORE_MHZ) + 1u; /* 0 would be: not in time */
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

/* A light's pin, for one pulse: a USB interrupt must not lengthen it either. */
static void port_drive_high(void *context, uint32_t line)
{
    (void)context;
    driven_high = line;
    keyc_rp2040_usb_hold();
    keyc_rp2040_drive_high(line);
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
    .port_release_timed = port_release_timed,
    .port_pull_down = port_pull_down,
    .port_hold_low = port_hold_low,
    .port_drive_high = port_drive_high,
    .port_console_read = keyc_rp2040_console_read,
    .port_console_write = keyc_rp2040_console_write,
    .port_console_empty = keyc_rp2040_console_empty,
};

void keyc_main(void)
{
    static struct keyc_usb_identity usb_identity;
    static struct keyc_bench_identity identity;
    keyc_rp2040_pins_begin(KEYC_USABLE_PINS);
    keyc_rp2040_identify(&identity, &usb_identity);
    identity.usable_pins = KEYC_USABLE_PINS;

    keyc_cycles_begin();
    keyc_usb_console_begin(&keyc_rp2040_console);
    keyc_usb_begin(&usb, keyc_image.device, &usb_identity, &keyc_rp2040_console);
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
