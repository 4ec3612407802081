/* The bench image's logic: which lines read low when which is driven, told over a serial console.
 *
 * It sends no key strokes. It knows no hardware and, unless it is told, no keyboard: it drives every
 * line in turn, rows and columns alike, and nothing, and reads all others. It allocates nothing, uses
 * no C library, and keeps all state in a block that the caller owns.
 *
 *   bench_lines.c   the lines: one table of what reads low, the short poll at rest
 *   bench_edges.c   one line held low, and every edge of the others with its time
 *   bench_wire.c    the console: lines of text, their check sums, the ring of lines kept
 *   bench_work.c    the commands, looking, watching
 *
 * The console's language is described in WIRE.md. */
#ifndef KEYC_BENCH_H
#define KEYC_BENCH_H

#include "keyc_engine.h"

#define KEYC_BENCH_PROTOCOL 1u
#define KEYC_BENCH_SETTLE_US 12u      /* a drive: 80 kOhm x 150 pF reaches 2.0 V in 11 us */
#define KEYC_BENCH_RECOVERY_US 100u   /* longest wait for lines to rise after a drive */
#define KEYC_BENCH_TIMED_US 20u       /* ... of it measured finer than the clock of us does */
#define KEYC_BENCH_QUIET_US 5000u     /* a frame is told once the table has been this quiet, */
#define KEYC_BENCH_SOONEST_US 0u      /* ... or as soon as this, if the computer asks for it; */
#define KEYC_BENCH_UNSTEADY_US 50000u /* or as unsteady once it hasn't been for this long */
#define KEYC_BENCH_REST_US 2000u      /* at rest: from one poll to the next */
#define KEYC_BENCH_EDGE_US 5u         /* edges of one line that are this far apart are all told */
#define KEYC_BENCH_HOLD_US 10000000u  /* a held line is let go when the computer says nothing for so long */
#define KEYC_BENCH_EDGES 256u         /* edges kept until they are told; a power of two */
#define KEYC_BENCH_RING_LINES 512u    /* lines kept until they are acknowledged; a power of two */
#define KEYC_BENCH_LINE_BYTES 48u     /* longest line, without its end */
#define KEYC_BENCH_PINS 30u
#define KEYC_BENCH_POLLS 12u /* its own rows, its own columns, and two for each bit of a pin number */
#define KEYC_BENCH_POLLS_IN_TURN 2u /* of those by pin number, at one time, where the first two are known */

/* What the image knows of itself. Masks: bit n is GPIO n. */
struct keyc_bench_identity {
    uint32_t usable_pins;   /* those that it may drive */
    uint32_t cathode_lines; /* its own keyboard's lines, as its wiring has them; 0: it knows none */
    uint32_t anode_lines;
    uint32_t direct_lines;
    uint32_t lit_high; /* its keymap's lights that are wired to ground: the only pins ever driven high */
    uint8_t flash_id[8]; /* as the flash chip sends it; all zeros or ones: unknown */
    uint8_t wiring[6], keymap[6], engine[6]; /* fingerprints; zeros: none */
};

/* The hardware. Of `lines`, port_send_report is not called.
 * port_settle waits that many us or a little more; 0 is the shortest wait that the clock shows at all
 * in the end, for loops that look at the lines as often as they can.
 * port_drive_high leaves the pulls as they are; nothing but `blink` calls it, with one line of `lit_high`.
 * After port_release every line is an input, pulled up, and no edge is told. */
struct keyc_bench_port {
    struct keyc_port lines; /* its context goes to the functions below too */
    /* Ends a port_drive_low, and returns how many ns it then takes until all of `risen` read high; 0 where
     * that is more than KEYC_BENCH_TIMED_US, which have passed then. */
    uint32_t (*port_release_timed)(void *context, uint32_t risen);
    void (*port_pull_down)(void *context, uint32_t lines); /* all inputs; these pulled down, the others up */
    /* Until port_release: `driven` low all the time, and each edge of `watched` to keyc_bench_note_edge. */
    void (*port_hold_low)(void *context, uint32_t driven, uint32_t watched);
    void (*port_drive_high)(void *context, uint32_t line); /* until port_release */
    uint32_t (*port_console_read)(void *context, uint8_t *bytes, uint32_t room);         /* bytes got */
    uint32_t (*port_console_write)(void *context, const uint8_t *bytes, uint32_t count); /* bytes taken */
    bool (*port_console_empty)(void *context); /* everything written has reached the computer */
};

/* One table, as one pass over the lines finds it. The rows of pins that are held against or not
 * recovered say nothing. */
struct keyc_bench_table {
    uint32_t low_up;                      /* nothing driven: lines that read low */
    uint32_t low_driven[KEYC_BENCH_PINS]; /* this pin driven low: other lines that read low */
    uint32_t held_against;                /* pins that read high although they were driven low */
    uint32_t not_recovered;               /* after their drive, or before it, lines did not rise in time */
};

/* A line that was told, kept as the numbers in it: the same numbers make the same bytes again. */
struct keyc_bench_line {
    uint8_t name, word;
    uint32_t first, second;
};

struct keyc_bench_edge {
    uint32_t time_us;
    uint8_t pin;
    bool high;
};

/* From an interrupt to the main program. `put` is the interrupt's, `taken` the main program's. */
struct keyc_bench_edges {
    volatile uint32_t put, taken, lost;
    struct keyc_bench_edge kept[KEYC_BENCH_EDGES];
};

struct keyc_bench {
    const struct keyc_bench_identity *identity;
    const struct keyc_bench_port *port;

    /* the lines */
    uint32_t driven_before; /* announced and driven at least once since power-on */
    uint32_t low_down;      /* nothing driven, all pulled down: lines that read low */
    uint32_t held_high;     /* of those looked at: stay high against their pull-down, never driven */
    uint32_t still_low;     /* did not rise in time after the last drive */
    uint32_t rise_ns[KEYC_BENCH_PINS];

    /* the work in hand */
    uint8_t work;
    bool announced;     /* the next pin to be driven for the first time has been announced */
    bool lit;           /* the light that blinks has had its first pulse */
    uint32_t work_mask; /* the lines that it concerns */
    uint32_t work_began_us;

    /* watching */
    bool watching, restful, unsettled;
    uint32_t watched;
    uint32_t scanned_us, changed_us, frame_began_us;
    uint32_t poll_groups[KEYC_BENCH_POLLS]; /* at rest: lines driven together */
    uint8_t poll_count, poll_always, poll_next; /* how many; the first ones every time; the others' turn */
    uint32_t quiet_us; /* a frame is told once the table has been this quiet */
    struct keyc_bench_table told, seen;

    /* one line held low */
    bool holding;
    uint8_t held_line; /* a pin; or none is, and edges are told all the same */
    uint32_t heard_us; /* when the computer last said something */
    struct keyc_bench_edges edges;

    /* the console */
    uint8_t input[KEYC_BENCH_LINE_BYTES];
    uint8_t input_length;
    bool input_too_long;
    uint8_t output[KEYC_BENCH_LINE_BYTES + 1u];
    uint8_t output_length, output_sent;
    uint16_t oldest, unsent, next; /* sequence numbers: kept from, sent up to, of the next new line */
    uint32_t missed;
    struct keyc_bench_line ring[KEYC_BENCH_RING_LINES];
};

/* Forgets everything and says hello. Identity and port stay the caller's and must outlive the bench. */
void keyc_bench_begin(struct keyc_bench *bench, const struct keyc_bench_identity *identity,
                      const struct keyc_bench_port *port);

/* One step: reads the console, does one piece of the work in hand, writes what the console takes.
 * Takes no longer than one table (0.4 ms for 23 lines that rise as they should, else some ms).
 * Returns after how many us it wants to be called again at the latest; 0: at once. Bytes that come in,
 * and room in a console that was full, are reasons to call it sooner. */
uint32_t keyc_bench_advance(struct keyc_bench *bench);

/* For the port's interrupt, between port_hold_low and port_release. */
void keyc_bench_note_edge(struct keyc_bench *bench, unsigned pin, bool high, uint32_t time_us);

#endif
