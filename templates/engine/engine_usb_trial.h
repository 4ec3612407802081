/* The trial image as a USB device: a keyboard as in engine_usb_keys.h, and behind it the console of
 * engine_usb_console.h, in one configuration. Each answers for its own interfaces and pipes. */
#ifndef KEYC_ENGINE_USB_TRIAL_H
#define KEYC_ENGINE_USB_TRIAL_H

#include "engine_usb.h"
#include "engine_usb_console.h"
#include "engine_usb_keys.h"

/* Interfaces that belong together say so (USB 2.0 ECN: Interface Association Descriptors). */
#define KEYC_USB_TRIAL_CLASS 0xEF, 2, 1
#define KEYC_USB_TRIAL_CONFIGURATION_BYTES 160u

/* Put together in memory; `device` is what keyc_usb_begin() is given, and its `context` is the keyboard's
 * state, as without the console. */
struct keyc_usb_trial {
    struct keyc_usb_device device; /* first: it is how the functions find the rest */
    const struct keyc_usb_device *keys;
    struct keyc_usb_console *console;
    uint8_t configuration[KEYC_USB_TRIAL_CONFIGURATION_BYTES];
};

/* `keys` is one of the three keyboards of engine_usb_keys.h. */
void keyc_usb_trial_begin(struct keyc_usb_trial *trial, const struct keyc_usb_device *keys,
                          struct keyc_usb_console *console);

#endif
