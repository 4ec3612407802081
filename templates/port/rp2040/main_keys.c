/* The daily image: a keyboard and nothing else. It has no console, so that no program on the computer
 * can read along. And the trial image, which lives in RAM: the same keyboard, with a console beside it. */
#include "keyc_engine.h"
#include "keyc_image.h"
#include "engine_usb_keys.h"
#include "rp2040.h"
#include "rp2040_trial.h"

#define KEYC_SCAN_US 1000u        /* while something is held: 1 kHz */
#define KEYC_SCAN_SETTLING_US 122u /* while a debounce time is running: 41 scans in the usual 5 ms */
#define KEYC_SCAN_SUSPENDED_US 8000u
#define KEYC_LOOK_AGAIN_US 1000000u /* at rest: are the driven lines still low? */

static struct keyc_usb usb;
static struct keyc_usb_keys keys;
static struct {
    uint32_t driven; /* lines, as in `held_high` */
    uint32_t held_high, held_high_since_us;
    bool told_boot_protocol;
    uint8_t told_lights;
} board;
static uint32_t levels_seen; /* by whoever looked last */

static KEYC_NOT_INLINE void port_drive_low(void *context, uint32_t lines)
{
    (void)context;
    board.driven = lines & ~board.held_high;
    keyc_rp2040_drive_low(board.driven);
}

static void port_release(void *context)
{
    port_drive_low(context, 0);
}

static void port_settle(void *context, uint32_t settle_us)
{
    (void)context;
    keyc_rp2040_wait_us(settle_us);
}

/* Every driven line is read back: one that is high is held so by something else, and is let go. */
static uint32_t port_read_levels(void *context)
{
    uint32_t levels = keyc_rp2040_read_levels();
    uint32_t against = levels & board.driven;
    (void)context;
    if (against) {
        board.driven &= ~against;
        keyc_rp2040_drive_low(board.driven);
        board.held_high |= against;
        board.held_high_since_us = keyc_rp2040_now_us();
    }
    levels_seen = levels;
    return levels;
}

static uint32_t port_now_us(void *context)
{
    (void)context;
    return keyc_rp2040_now_us();
}

static bool port_send_report(void *context, uint8_t which, const uint8_t *bytes, uint8_t length)
{
    bool taken;
    (void)context;
    keyc_rp2040_usb_hold();
    taken = keyc_usb_keys_send(&usb, which, bytes, length, keyc_rp2040_now_us());
    keyc_rp2040_usb_serve();
    return taken;
}

/* No image carries what can drive a pin high unless its keymap has lights. */
#ifndef KEYC_IMAGE_WITHOUT_LIGHTS
static void port_set_light(void *context, uint8_t pin, bool high)
{
    (void)context;
    keyc_rp2040_set_light(pin, high);
}
#endif

static void port_restart_to_rom(void *context)
{
    (void)context;
    keyc_rp2040_restart_to_rom();
}

static const struct keyc_port port = {
    .port_drive_low = port_drive_low,
    .port_release = port_release,
    .port_settle = port_settle,
    .port_read_levels = port_read_levels,
    .port_now_us = port_now_us,
    .port_send_report = port_send_report,
#ifndef KEYC_IMAGE_WITHOUT_LIGHTS
    .port_set_light = port_set_light,
#endif
    .port_restart_to_rom = port_restart_to_rom,
};

/* What came from the host since the last time, and what is due to it. Returns after how many us
 * something is due again at the latest. */
static uint32_t attend_to_host(struct keyc_keyboard *keyboard)
{
    uint32_t sent, within_us, bus_us, console_us;
    bool boot_protocol;
    uint8_t lights;
    keyc_rp2040_usb_hold();
    sent = keyc_usb_keys_take_sent(&usb);
    boot_protocol = keys.boot_protocol;
    lights = keys.lights;
    within_us = keyc_usb_keys_repeat_idle(&usb, keyc_rp2040_now_us());
    if (keys.waiting)
        keyc_rp2040_usb_serve();
    else
        keyc_rp2040_usb_let();
    if (boot_protocol != board.told_boot_protocol) {
        board.told_boot_protocol = boot_protocol;
        keyc_set_protocol(keyboard, boot_protocol);
    }
    if (lights != board.told_lights) {
        board.told_lights = lights;
        keyc_host_lights(keyboard, lights);
    }
    keyc_rp2040_trial_note_sent(sent);
    if (sent)
        keyc_report_sent(keyboard);
    bus_us = keyc_rp2040_usb_attend(!keyc_at_rest(keyboard));
    if (bus_us < within_us)
        within_us = bus_us;
    console_us = keyc_rp2040_trial_attend(keyboard);
    if (console_us < within_us)
        within_us = console_us;
    if (board.held_high && keyc_rp2040_now_us() - board.held_high_since_us >= KEYC_LOOK_AGAIN_US)
        board.held_high = 0; /* it may have been a slip of the probe */
    keyc_rp2040_all_is_well();
    return within_us < KEYC_LOOK_AGAIN_US ? within_us : KEYC_LOOK_AGAIN_US;
}

/* With every driven line low a closing switch pulls its line low, which wakes the chip, as does a dial that
 * stands otherwise than the engine knows: it looked at the dials last. Returns at once if a line is low
 * already, as with a switch that the keymap doesn't know. */
static void rest(struct keyc_keyboard *keyboard)
{
    uint32_t watched = keyboard->sensed_lines | keyboard->direct_lines;
    uint32_t known = levels_seen;
    uint32_t within_us;
    /* Driven and read back anew each time: something may hold a line high now, or no longer. */
    port_drive_low((void *)0, keyboard->driven_lines);
    keyc_rp2040_wait_us(KEYC_SETTLE_US);
    if ((port_read_levels((void *)0) & watched) == watched) {
        keyc_rp2040_wake_on(watched | (keyc_image.dial_lines & known), keyc_image.dial_lines & ~known);
        within_us = attend_to_host(keyboard);
        keyc_rp2040_sleep_until(keyc_rp2040_now_us() + within_us);
        keyc_rp2040_wake_on(0, 0);
    }
    port_release((void *)0);
}

static void wait_for_next_scan(struct keyc_keyboard *keyboard, uint32_t scanned_us, bool settling)
{
    uint32_t period_us = settling        ? KEYC_SCAN_SETTLING_US
                         : usb.suspended ? KEYC_SCAN_SUSPENDED_US
                                         : KEYC_SCAN_US;
    do {
        (void)attend_to_host(keyboard);
        keyc_rp2040_sleep_until(scanned_us + period_us);
    } while (keyc_rp2040_now_us() - scanned_us < period_us);
}

void keyc_main(void)
{
    struct keyc_keyboard *keyboard = keyc_keyboard_memory;
    uint32_t lines;
    if (!keyc_begin(keyboard, &keyc_keyboard_tables, &port))
        keyc_rp2040_restart_to_rom(); /* tables of another version: nothing else can be done with them */
    lines = keyboard->driven_lines | keyboard->sensed_lines | keyboard->direct_lines | keyc_image.dial_lines;
    keyc_rp2040_pins_begin(lines);
    board.held_high = keyc_rp2040_held_high(keyboard->driven_lines);
    board.held_high_since_us = keyc_rp2040_now_us();
    keyc_usb_keys_begin(&keys);
    keyc_rp2040_trial_begin(&usb, &keys);
    keyc_rp2040_usb_begin(&usb);
    for (;;) {
        uint32_t scanned_us = keyc_rp2040_now_us();
        bool settling;
        keyc_advance(keyboard);
        settling = keyc_is_settling(keyboard);
        if (!settling && keyc_at_rest(keyboard))
            rest(keyboard);
        else
            wait_for_next_scan(keyboard, scanned_us, settling);
    }
}
