/* What the bench and the trial image share: the console's bytes, and who they say they are. */
#ifndef KEYC_RP2040_CONSOLE_H
#define KEYC_RP2040_CONSOLE_H

#include "bench.h"
#include "engine_usb_console.h"

extern struct keyc_usb_console keyc_rp2040_console;

/* For a struct keyc_bench_port; `context` isn't used. */
uint32_t keyc_rp2040_console_read(void *context, uint8_t *bytes, uint32_t room);
uint32_t keyc_rp2040_console_write(void *context, const uint8_t *bytes, uint32_t count);
bool keyc_rp2040_console_empty(void *context);

/* The image's lines and fingerprints, and the flash chip's id, which is the serial number too, so that the
 * computer knows a board again. `usable_pins` stays 0. */
void keyc_rp2040_identify(struct keyc_bench_identity *identity, struct keyc_usb_identity *usb_identity);

#endif
