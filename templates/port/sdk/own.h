/* What you may add: define either function in a file of yours and add it in own.cmake. */
#ifndef KEYC_OWN_H
#define KEYC_OWN_H

/* Once, before the keyboard begins: its pins are still untouched, the clocks run, USB doesn't yet. */
void keyc_own_begin(void);

/* Again and again: after every scan, and at rest after every interrupt, at least once a second. Scans and
 * USB wait for it, so it should be over within a tenth of a millisecond; the longest of 4 s restarts the
 * chip. While the computer sleeps clk_sys is 12 MHz, clk_usb 6 MHz, and both PLLs are off. */
void keyc_own_step(void);

#endif
