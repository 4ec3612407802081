/* The port for this computer: an electrical table in place of a board, a clock that only waiting
 * moves, and a USB host that asks once a millisecond. Memory is the caller's; nothing is global. */
#ifndef KEYC_HOST_H
#define KEYC_HOST_H

#include "keyc_engine.h"

#define KEYC_HOST_SCAN_US 125u  /* from one scan to the next while something goes on: 8 kHz */
#define KEYC_HOST_REST_US 1000000u /* ... and at rest, as on the chip */
#define KEYC_HOST_FRAME_US 1000u /* the host asks once a frame (USB 2.0, full speed) */
#define KEYC_HOST_LOG 256u

/* The board as the chip reads it. Masks: bit n is GPIO n. */
struct keyc_host_lines {
    uint32_t low_at_rest;            /* nothing driven, all pulled up: lines that read low */
    uint32_t low_pulled_down;        /* nothing driven, all pulled down: lines that read low */
    uint32_t low_driven[KEYC_LINES]; /* this line driven low: lines that read low */
    uint32_t rise_ns[KEYC_LINES];    /* how long a line takes to follow its pull */
    uint32_t raised[KEYC_LINES];     /* this line driven high: lines that read high */
    uint32_t driven, pulled_down;    /* what the program does with the lines */
    uint32_t driven_high;            /* ... one at most: a light */
    uint32_t low;                    /* what reads low now */
    uint32_t moving;                 /* lines that follow their pull, and will have come over */
    uint64_t arrives_ns[KEYC_LINES]; /* ... by then */
    uint64_t now_us;
    uint32_t edge_lines; /* each change of these is told to `edge` */
    void (*edge)(struct keyc_host_lines *lines, unsigned line, bool high, uint64_t time_us);
};

struct keyc_host_report {
    uint64_t time_us;
    uint8_t which, length;
    uint8_t bytes[KEYC_KEYBOARD_REPORT_BYTES];
};

struct keyc_host {
    struct keyc_host_lines lines; /* first: it is the port's context */
    struct keyc_port port;
    struct keyc_keyboard *keyboard;
    uint64_t next_frame_us;
    bool restarted;  /* into the ROM: nothing runs any more */
    uint32_t lit;    /* indicators' pins that are driven high */
    bool report_waits;
    struct keyc_host_report waiting;
    uint32_t log_first, log_count;
    struct keyc_host_report log[KEYC_HOST_LOG];
};

/* host_lines.c: `context` is a struct keyc_host_lines. */
void keyc_host_set_lines(struct keyc_host_lines *lines, uint32_t low_at_rest, uint32_t low_pulled_down,
                         const uint32_t *low_driven, const uint32_t *rise_ns);
void keyc_host_drive_low(void *context, uint32_t driven);
void keyc_host_drive_high(void *context, uint32_t line);
void keyc_host_release(void *context);
void keyc_host_pull_down(void *context, uint32_t pulled_down);
void keyc_host_settle(void *context, uint32_t settle_us);
uint32_t keyc_host_read_levels(void *context);
/* See port_release_timed of bench.h. */
uint32_t keyc_host_release_timed(struct keyc_host_lines *lines, uint32_t risen, uint32_t longest_us);
uint32_t keyc_host_now_us(void *context);

/* host_keyboard.c: the daily image's loop. Sizes are for callers that don't read this header. */
uint32_t keyc_host_bytes(void);
uint32_t keyc_host_keyboard_bytes(const struct keyc_tables *tables);
uint32_t keyc_host_tables_bytes(void);
uint32_t keyc_host_further_tables_bytes(void);

/* Begins at `now_us` with nothing closed. Both blocks are zeroed here. */
bool keyc_host_begin(struct keyc_host *host, struct keyc_keyboard *keyboard, const struct keyc_tables *tables,
                     uint64_t now_us);
uint64_t keyc_host_clock_us(const struct keyc_host *host);
bool keyc_host_restarted(const struct keyc_host *host);
uint32_t keyc_host_lit(const struct keyc_host *host);

/* Runs until the clock has come to `until_us`, or one scan past it; sooner if the log is full or the
 * board has restarted. */
void keyc_host_run(struct keyc_host *host, uint64_t until_us);

/* The same, but also stops once every change so far has been told and the host has it. */
void keyc_host_run_until_told(struct keyc_host *host, uint64_t until_us);

/* Instead of a board: a switch moves at this moment, as the debounce would tell it. False: the queue is
 * full. Then time passes without scans. */
bool keyc_host_tell(struct keyc_host *host, uint8_t switch_number, bool pressed);
void keyc_host_run_without_board(struct keyc_host *host, uint64_t until_us);

/* host_explore.c: one step of a finger at a time. */
#define KEYC_HOST_PRESSES 1u
#define KEYC_HOST_RELEASES 2u
#define KEYC_HOST_LOST 1u      /* an event found no room */
#define KEYC_HOST_RESTARTED 2u /* into the ROM */
#define KEYC_HOST_UNTOLD 4u    /* something is still to be told after the longest time */
#define KEYC_HOST_WAITING_SHIFT 8u
#define KEYC_HOST_HOLDS 1u     /* a press is held */
#define KEYC_HOST_SHOWS 2u     /* the reports show more than the modifiers that are locked or wait for a key */

/* A switch moves as `moves` says, or none does; then time passes until all is told that can be, a whole
 * number of `step_us` and at the longest `most_us`. Returns what came of it, and above
 * KEYC_HOST_WAITING_SHIFT how many events wait. */
uint32_t keyc_host_step(struct keyc_host *host, uint8_t switch_number, uint8_t moves, uint32_t step_us,
                        uint32_t most_us);

/* The state after a step, keyc_host_keyboard_bytes() of it; equal bytes go on equally, in this process. */
void keyc_host_save(const struct keyc_host *host, uint8_t *bytes);
void keyc_host_restore(struct keyc_host *host, const uint8_t *bytes);

/* Marks with 1 which layers are on, [layer], which cells a press would find, [layer][switch], and which
 * chords are held, [chord]. */
void keyc_host_note_found(const struct keyc_host *host, uint8_t *layers, uint8_t *cells, uint8_t *chords);

/* What is held and shown, and the modes: the bottom, locked modifiers, those for the next key, and for
 * each layer the same two (bit 0, bit 1). */
uint32_t keyc_host_rest(const struct keyc_host *host, uint8_t *modes);

/* Takes the oldest report off the log. False: there is none. */
bool keyc_host_take_report(struct keyc_host *host, struct keyc_host_report *report);

#endif
