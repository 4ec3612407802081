/* What the bench's files share with one another. */
#ifndef KEYC_BENCH_INTERNAL_H
#define KEYC_BENCH_INTERNAL_H

#include "bench.h"

/* The lines that a board can say, in the order of `line_forms`. */
enum keyc_bench_name {
    KEYC_BENCH_HELLO,
    KEYC_BENCH_CAN_LINES, /* `can` with a mask */
    KEYC_BENCH_CAN,       /* `can` with a number */
    KEYC_BENCH_FLASH_ID,
    KEYC_BENCH_FINGERPRINT,
    KEYC_BENCH_ABOUT_TO_DRIVE,
    KEYC_BENCH_LOW_LINES,
    KEYC_BENCH_RISE,
    KEYC_BENCH_NOT_RECOVERED,
    KEYC_BENCH_HELD_AGAINST,
    KEYC_BENCH_CHANGE,
    KEYC_BENCH_UNSTEADY,
    KEYC_BENCH_FINISHED,
    KEYC_BENCH_EDGE,
    KEYC_BENCH_EDGES_LOST,
    KEYC_BENCH_MISSED,
    KEYC_BENCH_REFUSED,
    /* Only the trial image: */
    KEYC_BENCH_SWITCH_DOWN,
    KEYC_BENCH_SWITCH_UP,
    KEYC_BENCH_USAGE_DOWN, /* `word` is the page */
    KEYC_BENCH_USAGE_UP
};

/* Single words in lines, in the order of `words`; the commands come first. */
enum keyc_bench_word {
    KEYC_BENCH_WHO,
    KEYC_BENCH_LOOK,
    KEYC_BENCH_WATCH,
    KEYC_BENCH_RECEIVED,
    KEYC_BENCH_SEND_AGAIN,
    KEYC_BENCH_BLINK,
    KEYC_BENCH_HOLD_LOW,
    KEYC_BENCH_STOP,
    KEYC_BENCH_RESTART,
    KEYC_BENCH_COMMANDS, /* their number */
    KEYC_BENCH_CHANGES = KEYC_BENCH_COMMANDS,
    KEYC_BENCH_IMAGE,
    KEYC_BENCH_TRIAL_IMAGE,
    KEYC_BENCH_USABLE,
    KEYC_BENCH_LIT_HIGH,
    KEYC_BENCH_SETTLE,
    KEYC_BENCH_RING,
    KEYC_BENCH_SWITCHES,
    KEYC_BENCH_QUIET,
    KEYC_BENCH_SOONEST,
    KEYC_BENCH_WIRING,
    KEYC_BENCH_KEYMAP,
    KEYC_BENCH_ENGINE,
    KEYC_BENCH_UNKNOWN_WORD,
    KEYC_BENCH_WRONG_FIELDS,
    KEYC_BENCH_WRONG_CRC,
    KEYC_BENCH_TOO_LONG,
    KEYC_BENCH_PIN_NOT_FREE,
    KEYC_BENCH_NOT_KEPT,
    KEYC_BENCH_WORDS
};

/* Where a line has HOW, `word` is the pin driven, or one of these. */
#define KEYC_BENCH_UP 30u
#define KEYC_BENCH_DOWN 31u

#define KEYC_BENCH_FIELDS 2u /* of a command, at most */

/* A command as it came in. */
struct keyc_bench_command {
    uint8_t word; /* KEYC_BENCH_WHO to KEYC_BENCH_RESTART; or why it is refused */
    uint8_t fields;
    uint32_t field[KEYC_BENCH_FIELDS]; /* masks and numbers, as WIRE.md has them */
};

static inline uint32_t keyc_bench_bit(unsigned pin)
{
    return (uint32_t)1 << pin;
}

/* bench_lines.c */
void keyc_bench_pull_down(struct keyc_bench *bench, uint32_t lines);
void keyc_bench_first_drive(struct keyc_bench *bench, unsigned pin);
void keyc_bench_scan(struct keyc_bench *bench, uint32_t lines, struct keyc_bench_table *table);
bool keyc_bench_same(const struct keyc_bench_table *one, const struct keyc_bench_table *other);
void keyc_bench_plan_polls(struct keyc_bench *bench);
bool keyc_bench_may_rest(const struct keyc_bench *bench, const struct keyc_bench_table *table);
bool keyc_bench_polls_quiet(struct keyc_bench *bench); /* those whose turn it is */

/* bench_edges.c */
void keyc_bench_begin_to_hold(struct keyc_bench *bench);
uint32_t keyc_bench_hold(struct keyc_bench *bench);

/* bench_wire.c */
void keyc_bench_tell(struct keyc_bench *bench, unsigned name, unsigned word, uint32_t first, uint32_t second);
/* The flash chip's id, the fingerprints, and the end of the answer to `who`. */
void keyc_bench_tell_identity(struct keyc_bench *bench);
void keyc_bench_write(struct keyc_bench *bench);
bool keyc_bench_all_sent(const struct keyc_bench *bench);
bool keyc_bench_read(struct keyc_bench *bench, struct keyc_bench_command *command);
void keyc_bench_forget(struct keyc_bench *bench, uint16_t sequence);
bool keyc_bench_send_again(struct keyc_bench *bench, uint16_t sequence);

#endif
