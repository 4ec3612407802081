/* The keyboard as a USB device: a HID boot keyboard (HID 1.11, appendices B, F and G) and, for
 * keyboards that use media or power keys or the pointer, a second interface whose reports carry an id.
 *
 * Reports of the first interface have 36 bytes: the eight of a boot report, which the report
 * descriptor calls padding but for the modifiers, then one bit for each of the usages 0x00 to 0xDF.
 * In the boot protocol only the first eight are sent. */
#ifndef KEYC_ENGINE_USB_KEYS_H
#define KEYC_ENGINE_USB_KEYS_H

#include "engine_usb.h"

#define KEYC_USB_KEYS_CLASS 0, 0, 0 /* its interfaces say it (HID 1.11, 5.1) */
#define KEYC_USB_BOOT_REPORT_BYTES 8u
#define KEYC_USB_KEYBOARD_REPORT_BYTES 36u
#define KEYC_USB_REPORT_KINDS 4u /* KEYC_REPORT_KEYBOARD, _CONSUMER, _SYSTEM, _POINTER of keyc_engine.h */

struct keyc_usb_keys {
    /* Small things first: what lies near the beginning costs the chip less code to reach. */
    uint8_t idle[KEYC_USB_REPORT_KINDS];     /* [kind]: in units of 4 ms; 0 = only changes are sent */
    uint8_t lights;                          /* bit n: LED usage n + 1, as the host set them */
    bool boot_protocol;
    uint32_t sending; /* which kind is under way on the second interface */
    /* Bit n: kind n. */
    uint32_t held;    /* its last report says that something is */
    uint32_t waiting; /* to be told to the host */
    uint32_t asked;   /* ... and keyc_usb_keys_take_sent() has to say when it is */
    uint32_t sent;
    uint32_t told_us[KEYC_USB_REPORT_KINDS]; /* [kind]: when it was last sent or repeated */
    /* [kind]: the last report that was to be sent; of the second interface with the id in front. */
    uint8_t reports[KEYC_USB_REPORT_KINDS][KEYC_USB_KEYBOARD_REPORT_BYTES];
};

extern const struct keyc_usb_device keyc_usb_keyboard;
/* With the second interface: media and power keys, and the pointer too. */
extern const struct keyc_usb_device keyc_usb_keyboard_and_controls;
extern const struct keyc_usb_device keyc_usb_keyboard_and_pointer;

/* Before keyc_usb_begin(), whose `context` is this state. */
void keyc_usb_keys_begin(struct keyc_usb_keys *keys);

/* Takes a report as the engine makes it (without an id). False: the one before hasn't been taken by
 * the host yet. While no host listens the report is only remembered, and told once one does. */
bool keyc_usb_keys_send(struct keyc_usb *usb, uint32_t kind, const uint8_t *bytes, uint32_t length,
                        uint32_t now_us);
/* Bit n: the report of kind n that keyc_usb_keys_send() took last has reached the host; told once. */
uint32_t keyc_usb_keys_take_sent(struct keyc_usb *usb);

/* Repeats what the host asked to have repeated (HID 1.11, 7.2.4). Returns after how many us there is
 * something to repeat again; UINT32_MAX: never, as things are. */
uint32_t keyc_usb_keys_repeat_idle(struct keyc_usb *usb, uint32_t now_us);

#endif
