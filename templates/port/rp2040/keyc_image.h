/* What one image is: generated for each, and linked into it. */
#ifndef KEYC_IMAGE_H
#define KEYC_IMAGE_H

#include "engine_usb.h"

struct keyc_image {
    const struct keyc_usb_device *device;
    struct keyc_usb_identity usb;
    /* Its keyboard's lines, bit n is GPIO n; zeros: it knows none. */
    uint32_t cathode_lines, anode_lines, direct_lines, dial_lines;
    uint8_t wiring[6], keymap[6], engine[6]; /* fingerprints; zeros: it has none */
};

extern const struct keyc_image keyc_image;

#endif
