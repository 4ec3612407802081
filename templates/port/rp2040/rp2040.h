/* What the chip does for the images: clocks, pins, time, sleep, USB, the ROM. Behind it are either the
 * registers (the files beside this one) or Raspberry Pi's Pico SDK (../sdk/). */
#ifndef KEYC_RP2040_H
#define KEYC_RP2040_H

#include <stdbool.h>
#include <stdint.h>

#include "engine_usb.h"
#include "rp2040_registers.h"
#include "rp2040_quick.h"

/* An image's main program. Never returns. */
_Noreturn void keyc_main(void);

/* rp2040_clocks.c: crystal 12 MHz, clk_sys 125 MHz, clk_usb 48 MHz, a timer tick of 1 us. */
void keyc_rp2040_clocks_begin(void);
/* Both PLLs off: clk_sys 12 MHz, clk_usb 6 MHz, enough to notice that the host is back. And on again,
 * which takes a fifth of a millisecond. The timer goes on all the same. */
void keyc_rp2040_clocks_slow(void);
void keyc_rp2040_clocks_fast(void);

/* rp2040_pins.c and rp2040_quick.h. Lines are bits: bit n is GPIO n. A pin is only ever an input or driven low, at
 * 2 mA and slow slew; only keyc_rp2040_set_light() and the bench's keyc_rp2040_drive_high() drive one high: a light. */
void keyc_rp2040_pins_begin(uint32_t lines);                 /* inputs, pulled up */
void keyc_rp2040_pull_down(uint32_t lines, uint32_t others); /* inputs; `lines` down, `others` up */
/* Lines that stay high against their pull-down: something else drives them. */
uint32_t keyc_rp2040_held_high(uint32_t lines);
/* From now on a low level on one of the first lines ends a sleep, and a high one on one of the others;
 * 0: on none. */
void keyc_rp2040_wake_on(uint32_t low, uint32_t high);
void keyc_rp2040_set_light(uint32_t gpio, bool high);

/* rp2040_edges.c, instead of the two above: each edge of these lines is given to `edge` in an interrupt that
 * comes before USB's. A pulse that is over before the interrupt looks is told as two edges of one time. */
void keyc_rp2040_edges_begin(uint32_t lines, void (*edge)(uint32_t gpio, bool high, uint32_t time_us));
void keyc_rp2040_edges_end(void);
/* rp2040_time.c */
void keyc_rp2040_time_begin(void);

void keyc_rp2040_wait_us(uint32_t us); /* that long or up to 1 us longer, asleep */
/* Sleeps until then, which is at most 35 minutes away, or USB or a line has something to say, or had since
 * the last sleep. */
void keyc_rp2040_sleep_until(uint32_t at_us);
void keyc_rp2040_wake(void); /* for interrupt handlers: ends that sleep */

/* rp2040_usb.c: moves the packets of engine_usb.h, from its interrupt. The main program uses the USB
 * state only between _hold and either _let or _serve, which also sends what is new. */
void keyc_rp2040_usb_begin(struct keyc_usb *usb);
void keyc_rp2040_usb_serve(void);

/* For the main program, again and again: what the bus wants done outside of its interrupt. `wake_host`
 * asks a sleeping host to wake up, once, where it has allowed that. Returns after how many us to come
 * again at the latest. */
uint32_t keyc_rp2040_usb_attend(bool wake_host);

/* rp2040_erratum_5.c: chips marked B0 and B1 have it. The function holds the bus idle for a millisecond,
 * as the controller sees it. */
bool keyc_rp2040_has_erratum_5(void);
void keyc_rp2040_show_idle_bus(void);

/* start.c: for the main program, again and again. Nobody calling for 4 s, or a stack that grew beyond its
 * memory, is a bug of ours: let go of every pin and begin again. */
void keyc_rp2040_all_is_well(void);

/* rp2040_rom.c */
_Noreturn void keyc_rp2040_restart_to_rom(void); /* the ROM's mass storage */
_Noreturn void keyc_rp2040_restart(void);
void *keyc_rp2040_rom_function(char first, char second);

/* rp2040_flash_id.c, for images that run from RAM: the flash chip's unique id; all ones when it has
 * none or there is no flash. */
void keyc_rp2040_read_flash_id(uint8_t id[8]);

/* The interrupt handlers, for the vector table. */
void keyc_rp2040_timer_handler(void);
void keyc_rp2040_usb_handler(void);
void keyc_rp2040_io_handler(void);

#endif
