/* The trial image's console on the chip. See rp2040_trial.h. */
#include "rp2040_trial.h"

#include "engine_usb_trial.h"
#include "rp2040.h"
#include "rp2040_console.h"
#include "trial.h"

static struct {
    struct keyc_usb *usb;
    const struct keyc_usb_keys *keys;
    struct keyc_usb_identity usb_identity;
    struct keyc_bench_identity identity;
    struct keyc_usb_trial device;
    struct keyc_trial trial;
} board;

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
    .lines = {.port_now_us = port_now_us, .port_restart_to_rom = port_restart_to_rom},
    .port_console_read = keyc_rp2040_console_read,
    .port_console_write = keyc_rp2040_console_write,
    .port_console_empty = keyc_rp2040_console_empty,
};

void keyc_rp2040_trial_begin(struct keyc_usb *usb, struct keyc_usb_keys *keys)
{
    board.usb = usb;
    board.keys = keys;
    keyc_rp2040_identify(&board.identity, &board.usb_identity);
    keyc_usb_console_begin(&keyc_rp2040_console);
    keyc_usb_trial_begin(&board.device, keyc_image.device, &keyc_rp2040_console);
    keyc_usb_begin(usb, &board.device.device, &board.usb_identity, keys);
    keyc_trial_begin(&board.trial, &board.identity, &port);
}

/* What it has is what was handed over last: the next report isn't made before this one has been noted. A
 * report that nobody was there to take counts as sent too, and is left out here. */
void keyc_rp2040_trial_note_sent(uint32_t sent)
{
    const struct keyc_usb_keys *keys = board.keys;
    if (!sent || !keyc_usb_is_configured(board.usb) || board.usb->suspended)
        return;
    for (uint8_t kind = 0; kind < KEYC_USB_REPORT_KINDS; kind++) {
        bool first = kind == KEYC_REPORT_KEYBOARD;
        uint8_t length = keys->boot_protocol && first ? KEYC_USB_BOOT_REPORT_BYTES : KEYC_USB_KEYBOARD_REPORT_BYTES;
        if (sent >> kind & 1u)
            keyc_trial_note_report(&board.trial, kind, keys->reports[kind] + (first ? 0 : 1), length);
    }
}

uint32_t keyc_rp2040_trial_attend(const struct keyc_keyboard *keyboard)
{
    return board.usb->suspended ? UINT32_MAX : keyc_trial_advance(&board.trial, keyboard);
}
