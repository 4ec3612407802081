/* What the trial image has beside the daily image's keyboard. In the daily image all of this is nothing:
 * neither these functions nor the console are compiled into it. */
#ifndef KEYC_RP2040_TRIAL_H
#define KEYC_RP2040_TRIAL_H

#include "engine_usb_keys.h"
#include "keyc_engine.h"
#include "keyc_image.h"

#if defined(KEYC_IMAGE_HAS_CONSOLE) && KEYC_IMAGE_HAS_CONSOLE

/* Begins the USB device, with the console beside the keyboard. */
void keyc_rp2040_trial_begin(struct keyc_usb *usb, struct keyc_usb_keys *keys);
/* Bit n: the computer has the report of kind n. With USB held back or not. */
void keyc_rp2040_trial_note_sent(uint32_t sent);
/* After each scan. Returns after how many us to come again at the latest. */
uint32_t keyc_rp2040_trial_attend(const struct keyc_keyboard *keyboard);

#else

static inline void keyc_rp2040_trial_begin(struct keyc_usb *usb, struct keyc_usb_keys *keys)
{
    keyc_usb_begin(usb, keyc_image.device, &keyc_image.usb, keys);
}

static inline void keyc_rp2040_trial_note_sent(uint32_t sent)
{
    (void)sent;
}

static inline uint32_t keyc_rp2040_trial_attend(const struct keyc_keyboard *keyboard)
{
    (void)keyboard;
    return UINT32_MAX;
}

#endif

#endif
