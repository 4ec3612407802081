/* The keyboard engine: scan, debounce, layers, reports.
 *
 * One engine for the chip, the emulated chip and this computer. It allocates nothing, uses no
 * C library, and keeps all state in memory that the caller owns. Tables come in as data.
 */
#ifndef KEYC_ENGINE_H
#define KEYC_ENGINE_H

#include <stdbool.h>
#include <stdint.h>

#define KEYC_TABLES_VERSION 1
#define KEYC_NO_SWITCH 0xFFu
#define KEYC_EVENTS 64u

/* A cell is 16 bits: the kind in the top three, 13 bits of what it means.
 *   KEYC_KIND_SPECIAL  0 = `..` (whatever lies beneath), 1 = off, 2 = usb-boot
 *   KEYC_KIND_KEY      keyboard page: bits 0-7 the usage id; bits 8-11 Control, Shift, Alt, Meta to
 *                      hold around it; bit 12: those are the right-hand ones
 *   KEYC_KIND_ACTION   index into `actions`: any other page, or modifiers of both hands
 *   KEYC_KIND_LAYER    the layer's number: on while held
 * Kinds 4 to 7 are free. */
typedef uint16_t keyc_cell;
#define KEYC_KIND(cell) ((unsigned)(cell) >> 13)
#define KEYC_VALUE(cell) ((unsigned)(cell) & 0x1FFFu)
#define KEYC_KIND_SPECIAL 0u
#define KEYC_KIND_KEY 1u
#define KEYC_KIND_ACTION 2u
#define KEYC_KIND_LAYER 3u
#define KEYC_CELL_BENEATH 0u
#define KEYC_CELL_OFF 1u
#define KEYC_CELL_USB_BOOT 2u

struct keyc_action {
    uint16_t page, id;
    uint8_t modifiers; /* bit n: usage 0xE0 + n of the keyboard page */
    uint8_t reserved;
};

struct keyc_timing {
    uint32_t debounce_us;
    bool at_once; /* tell, then ignore that long; else tell once quiet that long */
};

/* Everything about one keyboard. All of it is const and lies in flash. */
struct keyc_tables {
    uint16_t version; /* KEYC_TABLES_VERSION */
    uint8_t driven_count, sensed_count, direct_count, switch_count, layer_count;
    uint8_t uses_second_interface;   /* consumer or system usages appear somewhere */
    const uint8_t *driven;           /* GPIO numbers; the cathode side */
    const uint8_t *sensed;           /* GPIO numbers */
    const uint8_t *direct;           /* GPIO numbers; low = pressed */
    const uint8_t *switch_at;        /* [driven][sensed], then [direct]: switch number or KEYC_NO_SWITCH */
    const keyc_cell *cells;          /* [layer][switch] */
    const struct keyc_action *actions;
    const struct keyc_timing *timings; /* [0] is for all switches that `timing_of` doesn't name */
    const uint8_t *timing_of;        /* [switch] -> index into timings, or a null pointer: all 0 */
};

#define KEYC_REPORT_KEYBOARD 0u
#define KEYC_REPORT_CONSUMER 1u
#define KEYC_REPORT_SYSTEM 2u

/* The hardware, behind a few functions. Lines are bits: bit n is GPIO n.
 * Ports never drive a line high. */
struct keyc_port {
    void *context;
    void (*port_drive_low)(void *context, uint32_t lines); /* these low, every other one released */
    void (*port_release)(void *context);                   /* every line back to an input, pulled up */
    void (*port_settle)(void *context, uint32_t settle_us);
    uint32_t (*port_read_levels)(void *context);           /* bit set = reads high */
    uint32_t (*port_now_us)(void *context);
    /* true when the report was taken; the port calls keyc_report_sent() when the host has it */
    bool (*port_send_report)(void *context, uint8_t which, const uint8_t *bytes, uint8_t length);
    void (*port_restart_to_rom)(void *context);
};
