/* The keyboard engine: scan, debounce, decisions, layers, reports.
 *
 * One engine for the chip, the emulated chip and this computer. It allocates nothing, uses no
 * C library, and keeps all state in memory that the caller owns. Tables come in as data.
 */
#ifndef KEYC_ENGINE_H
#define KEYC_ENGINE_H

#include <stdbool.h>
#include <stdint.h>

#define KEYC_TABLES_VERSION 3
#define KEYC_NO_SWITCH 0xFFu
#define KEYC_EVENTS 64u

/* A cell is 16 bits: the kind in the top three, 13 bits of what it means.
 *   KEYC_KIND_SPECIAL  0 = `..` (whatever lies beneath), 1 = off, 2 = usb-boot
 *   KEYC_KIND_KEY      keyboard page: bits 0-7 the usage id; bits 8-11 Control, Shift, Alt, Meta to
 *                      hold around it; bit 12: those are the right-hand ones
 *   KEYC_KIND_ACTION   index into `actions`: any other page, or modifiers of both hands
 *   KEYC_KIND_LAYER    the layer's number: on while held
 * The other kinds need the further tables:
 *   KEYC_KIND_DUAL     index into `duals`: one thing tapped, another held
 *   KEYC_KIND_TAPS     index into `taps`: by the number of taps
 *   KEYC_KIND_TYPING   index into `sequences`
 *   KEYC_KIND_MODE     bits 11-12: for the next key only, until pressed again, as the bottom layer,
 *                      the pointer; bits 0-7: the layer, or with bit 10 modifiers, or what the pointer does */
typedef uint16_t keyc_cell;
#define KEYC_KIND(cell) ((unsigned)(cell) >> 13)
#define KEYC_VALUE(cell) ((unsigned)(cell) & 0x1FFFu)
#define KEYC_KIND_SPECIAL 0u
#define KEYC_KIND_KEY 1u
#define KEYC_KIND_ACTION 2u
#define KEYC_KIND_LAYER 3u
#define KEYC_KIND_DUAL 4u
#define KEYC_KIND_TAPS 5u
#define KEYC_KIND_TYPING 6u
#define KEYC_KIND_MODE 7u
#define KEYC_CELL_BENEATH 0u
#define KEYC_CELL_OFF 1u
#define KEYC_CELL_USB_BOOT 2u
#define KEYC_MODE(cell) (((unsigned)(cell) >> 11) & 3u)
#define KEYC_MODE_NEXT 0u
#define KEYC_MODE_LOCK 1u
#define KEYC_MODE_BOTTOM 2u
#define KEYC_MODE_POINTER 3u
#define KEYC_MODE_MODIFIERS 0x400u
/* What the pointer does: one of four directions, or with this bit the wheel in one of them. */
#define KEYC_POINTER_LEFT 0u
#define KEYC_POINTER_RIGHT 1u
#define KEYC_POINTER_UP 2u
#define KEYC_POINTER_DOWN 3u
#define KEYC_POINTER_WHEEL 4u

/* A usage with the modifiers that a press of it brings: bits 0-15 the id, 16-23 the page, 24-31 the
 * modifiers (bit 24 + n: usage 0xE0 + n of the keyboard page). */
typedef uint32_t keyc_action;
#define KEYC_ACTION(page, id, modifiers) ((keyc_action)(modifiers) << 24 | (keyc_action)(page) << 16 | (id))

struct keyc_timing {
    uint32_t debounce_us;
    bool at_once; /* tell, then ignore that long; else tell once quiet that long */
};

/* When a held key counts: the rules of `timing` but for the debounce. A time of 0: no such rule. */
struct keyc_rules {
    uint32_t hold_after_us, chord_within_us, taps_within_us, tap_if_typing_within_us, repeat_if_tapped_within_us;
    uint8_t flags;
};
#define KEYC_HOLD_IF_ANOTHER_TAPPED 1u
#define KEYC_HOLD_IF_ANOTHER_PRESSED 2u
#define KEYC_NEXT_TWICE_LOCKS 4u

struct keyc_dual {
    keyc_cell tap, hold; /* hold: a layer, or modifiers alone */
};

struct keyc_taps {
    uint16_t first; /* in tap_cells: what one tap does, what two do, ... */
    uint16_t count;
};

struct keyc_chord {
    keyc_cell cell;
    uint8_t count, layer; /* how many switches, and the layer that they find their cells on */
};

/* A layer that is on while others are. */
struct keyc_when {
    uint16_t first; /* in when_layers */
    uint8_t count, layer;
};

/* Strokes of sequences, one after the other: cells of KEYC_KIND_KEY or KEYC_KIND_ACTION, and
 *   KEYC_KIND_SPECIAL  a pause of that many ms
 *   the three below    the end of a sequence, and the ends of a text within it */
#define KEYC_STROKES_END 0u
#define KEYC_TEXT_BEGINS 0x6001u
#define KEYC_TEXT_ENDS 0x6000u

/* A dial's two lines. Its ways are the switches `first_switch` (clockwise) and the one after it. */
struct keyc_dial {
    uint8_t pin_a, pin_b, edges_per_detent, first_switch;
};

/* An indicator: lit by the host, or by a layer. */
struct keyc_light {
    uint8_t pin;
    bool lit_low;
    uint8_t indicator; /* LED usage of the host, 1 to 5; 0: the layer's */
    uint8_t layer;
};

struct keyc_keyboard;
struct keyc_press;
struct keyc_event;

/* What the engine asks of its further parts (engine_further.c). */
struct keyc_further_functions;
/* ... and those of single parts. */
struct keyc_mode_functions;
struct keyc_typing_functions;
struct keyc_pointer_functions;

/* For keymaps that use more than keys and layers while held. A part that isn't used has null
 * pointers, and the linker leaves out its code. The first three look at a press at the queue's head and
 * are true when it needs no more events or time; then it says what it does. */
struct keyc_further_tables {
    const struct keyc_further_functions *functions;
    bool (*match_chords)(struct keyc_keyboard *keyboard, struct keyc_press *press);
    bool (*decide)(struct keyc_keyboard *keyboard, struct keyc_press *press);
    bool (*count_taps)(struct keyc_keyboard *keyboard, struct keyc_press *press);
    const struct keyc_mode_functions *modes;
    const struct keyc_typing_functions *typing;
    const struct keyc_pointer_functions *pointer;
    void (*read_dials)(struct keyc_keyboard *keyboard);
    void (*show_lights)(struct keyc_keyboard *keyboard);
    const struct keyc_rules *rules; /* [0] is for all switches that `rules_of` doesn't name */
    const uint8_t *rules_of;        /* [switch] -> index into rules, or a null pointer: all 0 */
    const struct keyc_dual *duals;
    const struct keyc_taps *taps;
    const keyc_cell *tap_cells;
    const struct keyc_chord *chords;
    const uint32_t *chord_sets;    /* [chord][word]: its switches, as numbers of chord_switches */
    const uint8_t *chord_switches; /* the switches that are in some chord */
    const uint8_t *chord_place_of; /* [switch] -> its place there, or KEYC_NO_SWITCH */
    const uint16_t *chords_of;     /* [place] -> the first of its chords in chord_list, and one more: the end */
    const uint16_t *chord_list;    /* numbers of chords, ascending for each switch */
    const struct keyc_when *whens;
    const uint8_t *when_layers;
    const uint16_t *sequences;      /* [sequence] -> its first stroke in strokes */
    const keyc_cell *strokes;
    const struct keyc_dial *dials;
    const struct keyc_light *lights;
    uint8_t chord_switch_count, when_count, dial_count, light_count;
};

/* The parts, for `struct keyc_further_tables`. */
extern const struct keyc_further_functions keyc_further_functions;
extern const struct keyc_mode_functions keyc_mode_functions;
extern const struct keyc_typing_functions keyc_typing_functions;
extern const struct keyc_pointer_functions keyc_pointer_functions;
void keyc_read_dials(struct keyc_keyboard *keyboard);
void keyc_show_lights(struct keyc_keyboard *keyboard);
bool keyc_match_chords(struct keyc_keyboard *keyboard, struct keyc_press *press);
bool keyc_decide(struct keyc_keyboard *keyboard, struct keyc_press *press);
bool keyc_count_taps(struct keyc_keyboard *keyboard, struct keyc_press *press);

#define KEYC_SECOND_NONE 0u
#define KEYC_SECOND_CONTROLS 1u /* consumer and system */
#define KEYC_SECOND_POINTER 2u  /* and the pointer */

/* Everything about one keyboard. All of it is const and lies in flash. */
struct keyc_tables {
    uint16_t version; /* KEYC_TABLES_VERSION */
    uint8_t driven_count, sensed_count, direct_count, switch_count, layer_count;
    uint8_t second_reports; /* what goes out on the second interface: KEYC_SECOND_... */
    const uint8_t *driven;           /* GPIO numbers; the cathode side */
    const uint8_t *sensed;           /* GPIO numbers */
    const uint8_t *direct;           /* GPIO numbers; low = pressed */
    const uint8_t *switch_at;        /* [driven][sensed], then [direct]: switch number or KEYC_NO_SWITCH */
    const keyc_cell *cells;          /* [layer][switch] */
    const keyc_action *actions;
    const struct keyc_timing *timings; /* [0] is for all switches that `timing_of` doesn't name */
    const uint8_t *timing_of;        /* [switch] -> index into timings, or a null pointer: all 0 */
    const struct keyc_further_tables *further; /* or a null pointer */
};

/* Reports, as they are passed to the port: without a report id.
 *   keyboard  KEYC_KEYBOARD_REPORT_BYTES: the 8 bytes of the boot report (HID 1.11 appendix B.1:
 *             modifiers, reserved, six keys), then one bit for each usage 0x00 to 0xDF, bit n % 8 of
 *             byte 8 + n / 8; in the boot protocol the first 8 bytes alone
 *   consumer  two usages of 16 bits, low byte first, 0 = none (page 0x0C)
 *   system    one usage, 0x81 to 0xB7, 0 = none (page 0x01)
 *   pointer   buttons (bit n: button n + 1), then how far since the last report, signed: right, down,
 *             the wheel up, the wheel right */
#define KEYC_REPORT_KEYBOARD 0u
#define KEYC_REPORT_CONSUMER 1u
#define KEYC_REPORT_SYSTEM 2u
#define KEYC_REPORT_POINTER 3u
#define KEYC_REPORTS 4u
#define KEYC_BOOT_REPORT_BYTES 8u
#define KEYC_KEYBOARD_REPORT_BYTES 36u
#define KEYC_CONSUMER_REPORT_BYTES 4u
#define KEYC_SYSTEM_REPORT_BYTES 1u
#define KEYC_POINTER_REPORT_BYTES 5u
#define KEYC_ALL_REPORTS_BYTES                                                                           \
    (KEYC_KEYBOARD_REPORT_BYTES + KEYC_CONSUMER_REPORT_BYTES + KEYC_SYSTEM_REPORT_BYTES + KEYC_POINTER_REPORT_BYTES)

/* The hardware, behind a few functions. Lines are bits: bit n is GPIO n.
 * Ports never drive a line high but a light's. */
struct keyc_port {
    void *context;
    void (*port_drive_low)(void *context, uint32_t lines); /* these low, every other one released */
    void (*port_release)(void *context);                   /* every line back to an input, pulled up */
    void (*port_settle)(void *context, uint32_t settle_us);
    uint32_t (*port_read_levels)(void *context);           /* bit set = reads high */
    uint32_t (*port_now_us)(void *context);
    /* true when the report was taken; the port calls keyc_report_sent() when the host has it */
    bool (*port_send_report)(void *context, uint8_t which, const uint8_t *bytes, uint8_t length);
    /* An indicator's pin, which alone may be driven high. */
    void (*port_set_light)(void *context, uint8_t pin, bool high);
    void (*port_restart_to_rom)(void *context);
};

/* What the engine may hold of this keyboard, whatever its tables say. */
#define KEYC_LINES 30u     /* driven lines, and one more for the direct switches together */
#define KEYC_SETTLE_US 12u /* from driving a line to reading the others: 80 kOhm x 150 pF to 2.0 V */

/* A switch that moved, as the debounce tells it. */
struct keyc_event {
    uint32_t time_us; /* when it was told */
    uint8_t switch_number;
    bool pressed;
};

/* Two lists share this array, since both have as many places as there are switches. */
struct keyc_slot {
    uint32_t changed_us; /* of switch n: when its debounce time began, or the dial whose way it is turned */
    keyc_cell held_cell; /* of the n-th press that is still held, oldest first: what it does */
    uint16_t held_by;    /* ... the switch or chord that does it, and what became of it: KEYC_BY_... */
};

/* All state of one keyboard, in the caller's memory: KEYC_KEYBOARD_BYTES of it. It holds no
 * pointer into itself, so it may be copied and compared. Callers read `driven_lines`,
 * `sensed_lines` and `direct_lines` (bit n is GPIO n) and leave the rest alone. */
struct keyc_keyboard {
    const struct keyc_tables *tables;
    const struct keyc_port *port;
    /* Small things first: what lies near the beginning costs the chip less code to reach. */
    uint8_t first_event, event_count;
    uint8_t held_count;
    uint8_t bottom;  /* the layer that lies beneath all others */
    bool undecided;  /* the first event can't be dealt with yet */
    bool queue_full; /* an event found no room */
    bool coming;     /* the last press on the list is held, but not yet down for the host */
    bool typing;     /* a sequence: events wait */
    bool host_knows; /* the host has the reports as they are */
    bool in_flight;  /* the port has a report that the host hasn't taken yet */
    bool boot_protocol;
    bool keyboard_last; /* of several reports: a release undoes in the opposite order */
    bool restarting;
    bool turning; /* a dial, a moment ago */
    uint8_t deeds;   /* of this step so far */
    bool unfinished; /* a step was long enough, and there is more to tell */
    bool only_tells; /* this step, or the next one: it doesn't scan */
    uint8_t settle_from; /* the line with which the next check of debounce times begins */
    uint32_t driven_lines, sensed_lines, direct_lines;
    uint32_t restart_since_us;
    uint32_t closed[KEYC_LINES];    /* what the last scan read, a bit for each line that was low */
    uint32_t told[KEYC_LINES];      /* what the events told */
    uint32_t unsettled[KEYC_LINES]; /* switches whose debounce time is running */
    struct keyc_event events[KEYC_EVENTS]; /* a ring */
    uint8_t sent[KEYC_ALL_REPORTS_BYTES];
    struct keyc_slot slots[]; /* as many as there are switches; then, with further tables, keyc_further */
};

/* State that only keymaps with further tables have. */
struct keyc_further {
    uint32_t down[8];     /* switches whose press was dealt with: bit n % 32 of word n / 32 */
    uint32_t chord_free[8]; /* switches of chords that are up and find their cells where that press does */
    uint32_t typed_us;    /* when a key last went down that counts as typing */
    uint32_t tapped_us;   /* when the dual-role key that was tapped last was let go */
    uint32_t paused_us;   /* when the pause of a sequence began */
    uint16_t next_stroke; /* of the sequence that types */
    uint16_t tapped;      /* one more than the dual-role key whose tap was the last press, or 0 */
    uint32_t chord_us;    /* of the press at the queue's head, once chords were looked for: see struct keyc_press */
    uint16_t chord_by;
    bool chord_begun, chord_known; /* `chord_free` holds for that press; its chord was found, or none */
    uint8_t chord_events; /* so many waited when chords were looked for and more could come, or 0 */
    uint8_t looked_at;    /* so many events behind a dual-role key at the head decide nothing */
    uint8_t acting;       /* the switch whose press acts, of a chord the first */
    bool has_typed, pausing, lifting;
    uint8_t locked_modifiers; /* until pressed again; bit n: usage 0xE0 + n */
    uint8_t armed_modifiers;  /* for the next key */
    uint8_t cover_modifiers;  /* of a key that was the next one, as long as it is held */
    uint8_t host_lights;      /* bit n: LED usage n + 1 */
    bool lights_begun;
    uint32_t lit;             /* bit n: the n-th light */
    uint32_t moving_since_us, moved_us, wheeled_us; /* the pointer */
    uint16_t moved_part;      /* what is left of a whole step */
    int8_t moved[4];          /* right, down, the wheel up and right: what the host is to be told */
    bool moving;
    uint8_t layers[];         /* [layer]: whether it is locked or armed */
};

#define KEYC_KEYBOARD_BYTES(switches) (sizeof(struct keyc_keyboard) + (switches) * sizeof(struct keyc_slot))
#define KEYC_FURTHER_BYTES(layers) (sizeof(struct keyc_further) + (layers) * sizeof(uint8_t))

/* None of these may interrupt another: call them all from one place, not from handlers. */

/* Starts from nothing held. `keyboard` is KEYC_KEYBOARD_BYTES(tables->switch_count), and with further
 * tables KEYC_FURTHER_BYTES(tables->layer_count) more, aligned as the struct. False when the tables are of
 * another version or don't fit the chip. */
bool keyc_begin(struct keyc_keyboard *keyboard, const struct keyc_tables *tables, const struct keyc_port *port);

/* One step: scans once, settles, and hands the port the next report if the host is ready for one. Where much
 * happened the telling is left to the next step, which then doesn't scan: so no step takes long. */
void keyc_advance(struct keyc_keyboard *keyboard);

/* True when nothing is held, settling or waiting to be told: the port may sleep until a sensed or
 * direct line reads low with every driven line low, but for an hour at most: what was a moment ago
 * has to be seen growing old. */
bool keyc_at_rest(const struct keyc_keyboard *keyboard);

/* True while a switch's debounce time is running, a dial turns or a step had more to do than it took time
 * for: scanning often now makes their ends exact. */
bool keyc_is_settling(const struct keyc_keyboard *keyboard);

/* True when all that happened has been told, but for what only time or another event can decide. */
bool keyc_has_told(const struct keyc_keyboard *keyboard);

/* The host has taken the report; may call port_send_report() with the next one. */
void keyc_report_sent(struct keyc_keyboard *keyboard);

/* The host starts anew (bus reset, another configuration): what it was told before is void, the
 * report protocol holds again (HID 1.11 7.2.6). Keys that are held are reported to it. */
void keyc_reset_host_state(struct keyc_keyboard *keyboard);

/* SET_PROTOCOL: true for the boot protocol. Keys that are held are reported again. */
void keyc_set_protocol(struct keyc_keyboard *keyboard, bool boot);

/* SET_REPORT: the host's indicators; bit n: LED usage n + 1. */
void keyc_host_lights(struct keyc_keyboard *keyboard, uint8_t lights);

/* GET_REPORT and idle repeats: writes the report as it is now, returns its length; 0 for an
 * unknown report. `bytes` has room for KEYC_KEYBOARD_REPORT_BYTES. */
uint8_t keyc_current_report(const struct keyc_keyboard *keyboard, uint8_t which, uint8_t *bytes);

/* A generated NAME_tables.c defines these two: its tables, and memory enough for its state. */
extern const struct keyc_tables keyc_keyboard_tables;
extern struct keyc_keyboard *const keyc_keyboard_memory;

#endif
