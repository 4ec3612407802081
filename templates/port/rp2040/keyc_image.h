/* What one image is: generated for each, and linked into it. */
#ifndef KEYC_IMAGE_H
#define KEYC_IMAGE_H

#include "engine_usb.h"

struct keyc_image {
    const struct keyc_usb_device *device;
    struct keyc_usb_identity usb;
    uint32_t dial_lines; /* bit n is GPIO n */
    uint8_t wiring[6], keymap[6], engine[6]; /* fingerprints; zeros: it has none */
};

/* The matrix, and the lights that are wired to ground, for an image without the keyboard's tables; bit n is
 * GPIO n, zeros: it knows none. */
struct keyc_image_lines {
    uint32_t cathode, anode, direct, lit_high;
};

extern const struct keyc_image keyc_image;
extern const struct keyc_image_lines keyc_image_lines;

#endif
