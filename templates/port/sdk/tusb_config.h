/* TinyUSB, as the images want it: a full-speed device whose only class is the one in sdk_usb.c. */
#ifndef KEYC_TUSB_CONFIG_H
#define KEYC_TUSB_CONFIG_H

#define CFG_TUSB_RHPORT0_MODE (OPT_MODE_DEVICE | OPT_MODE_FULL_SPEED)
#define CFG_TUD_ENABLED 1
#define CFG_TUD_ENDPOINT0_SIZE 64

#endif
