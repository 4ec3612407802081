/* A serial console over USB: the communications device class, abstract control model (CDC 1.2 and its
 * PSTN subclass 1.2), without a command set, so that no modem is looked for in it. */
#ifndef KEYC_ENGINE_USB_CONSOLE_H
#define KEYC_ENGINE_USB_CONSOLE_H

#include "engine_usb.h"

#define KEYC_USB_CONSOLE_CLASS 2, 0, 0 /* communications (CDC 1.2, 4.1) */
#define KEYC_USB_CONSOLE_RING_BYTES 512u /* a power of two */

struct keyc_usb_ring {
    uint8_t bytes[KEYC_USB_CONSOLE_RING_BYTES];
    uint16_t first, count;
};

struct keyc_usb_console {
    struct keyc_usb_ring to_host, from_host;
    uint8_t packet[KEYC_USB_PACKET_BYTES]; /* the one under way to the host */
    uint8_t packet_bytes;
    bool packet_kept;       /* it was handed out and hasn't been taken yet */
    bool empty_packet_ends; /* the last packet was full: an empty one says that this was all */
    bool terminal_open;     /* as the host says it (DTR) */
    uint8_t line_coding[7]; /* stored for the host and otherwise without meaning */
};

extern const struct keyc_usb_device keyc_usb_console;

/* Before keyc_usb_begin(), whose `context` is this state. */
void keyc_usb_console_begin(struct keyc_usb_console *console);

/* How many bytes were taken: fewer than `length` when the host doesn't fetch them. */
uint16_t keyc_usb_console_write(struct keyc_usb_console *console, const uint8_t *bytes, uint16_t length);
/* How many bytes came out. */
uint16_t keyc_usb_console_read(struct keyc_usb_console *console, uint8_t *bytes, uint16_t capacity);

#endif
