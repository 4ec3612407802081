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

/* Reports, as they are passed to the port: without a report id.
 *   keyboard  KEYC_KEYBOARD_REPORT_BYTES: the 8 bytes of the boot report (HID 1.11 appendix B.1:
 *             modifiers, reserved, six keys), then one bit for each usage 0x00 to 0xDF, bit n % 8 of
 *             byte 8 + n / 8; in the boot protocol the first 8 bytes alone
 *   consumer  two usages of 16 bits, low byte first, 0 = none (page 0x0C)
 *   system    one usage, 0x81 to 0xB7, 0 = none (page 0x01) */
#define KEYC_REPORT_KEYBOARD 0u
#define KEYC_REPORT_CONSUMER 1u
#define KEYC_REPORT_SYSTEM 2u
#define KEYC_BOOT_REPORT_BYTES 8u
#define KEYC_KEYBOARD_REPORT_BYTES 36u
#define KEYC_CONSUMER_REPORT_BYTES 4u
#define KEYC_SYSTEM_REPORT_BYTES 1u

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

/* What the engine may hold of this keyboard, whatever its tables say. */
#define KEYC_LINES 30u     /* driven lines, and one more for the direct switches together */
#define KEYC_SETTLE_US 12u /* from driving a line to reading the others: 80 kOhm x 150 pF to 2.0 V */

struct keyc_event {
    uint8_t switch_number;
    bool pressed;
};

/* Two lists share this array, since both have as many places as there are switches. */
struct keyc_slot {
    uint32_t changed_us;   /* of switch n: when its debounce time began */
    keyc_cell held_cell;   /* of the n-th press that is still held, oldest first: what it does */
    uint8_t held_by;       /* ... and the switch that does it */
    bool modifiers_lifted; /* ... its own modifiers ended when another key went down */
};

/* All state of one keyboard, in the caller's memory: KEYC_KEYBOARD_BYTES of it. It holds no
 * pointer into itself, so it may be copied and compared. Callers read `driven_lines`,
 * `sensed_lines` and `direct_lines` (bit n is GPIO n) and leave the rest alone. */
struct keyc_keyboard {
    const struct keyc_tables *tables;
    const struct keyc_port *port;
    uint32_t driven_lines, sensed_lines, direct_lines;
    uint32_t closed[KEYC_LINES];    /* what the last scan read, a bit for each line that was low */
    uint32_t told[KEYC_LINES];      /* what the events told */
    uint32_t unsettled[KEYC_LINES]; /* switches whose debounce time is running */
    uint32_t restart_since_us;
    struct keyc_event events[KEYC_EVENTS]; /* a ring */
    uint8_t first_event, event_count;
    uint8_t held_count;
    bool in_flight; /* the port has a report that the host hasn't taken yet */
    bool boot_protocol;
    bool keyboard_last; /* of several reports: a release undoes in the opposite order */
    bool restarting;
    uint8_t sent_keyboard[KEYC_KEYBOARD_REPORT_BYTES];
    uint8_t sent_consumer[KEYC_CONSUMER_REPORT_BYTES];
    uint8_t sent_system[KEYC_SYSTEM_REPORT_BYTES];
    struct keyc_slot slots[]; /* as many as there are switches */
};

#define KEYC_KEYBOARD_BYTES(switches) (sizeof(struct keyc_keyboard) + (switches) * sizeof(struct keyc_slot))

/* None of these may interrupt another: call them all from one place, not from handlers. */

/* Starts from nothing held. `keyboard` is KEYC_KEYBOARD_BYTES(tables->switch_count), aligned as
 * the struct. False when the tables are of another version or don't fit the chip. */
bool keyc_begin(struct keyc_keyboard *keyboard, const struct keyc_tables *tables, const struct keyc_port *port);

/* Scans once, settles, and hands the port the next report if the host is ready for one. */
void keyc_advance(struct keyc_keyboard *keyboard);

/* True when nothing is held, settling or waiting to be told: the port may sleep until a sensed or
 * direct line reads low with every driven line low. */
bool keyc_at_rest(const struct keyc_keyboard *keyboard);

/* True while a switch's debounce time is running: scanning often now makes its end exact. */
bool keyc_is_settling(const struct keyc_keyboard *keyboard);

/* The host has taken the report; may call port_send_report() with the next one. */
void keyc_report_sent(struct keyc_keyboard *keyboard);

/* The host starts anew (bus reset, another configuration): what it was told before is void, the
 * report protocol holds again (HID 1.11 7.2.6). Keys that are held are reported to it. */
void keyc_reset_host_state(struct keyc_keyboard *keyboard);

/* SET_PROTOCOL: true for the boot protocol. Keys that are held are reported again. */
void keyc_set_protocol(struct keyc_keyboard *keyboard, bool boot);

/* GET_REPORT and idle repeats: writes the report as it is now, returns its length; 0 for an
 * unknown report. `bytes` has room for KEYC_KEYBOARD_REPORT_BYTES. */
uint8_t keyc_current_report(const struct keyc_keyboard *keyboard, uint8_t which, uint8_t *bytes);

/* A generated NAME_tables.c defines these two: its tables, and memory enough for its state. */
extern const struct keyc_tables keyc_keyboard_tables;
extern struct keyc_keyboard *const keyc_keyboard_memory;

#endif
