/* What the engine's files share with one another. */
#ifndef KEYC_ENGINE_INTERNAL_H
#define KEYC_ENGINE_INTERNAL_H

#include <stddef.h>

#include "keyc_engine.h"

/* Of a keyc_action. */
#define KEYC_USAGE(action) ((action)&0xFFFFFFu)
#define KEYC_MODIFIERS(action) ((uint8_t)((action) >> 24))
#define KEYC_PAGE(action) (KEYC_USAGE(action) >> 16)
#define KEYC_PAGE_DESKTOP 0x01u
#define KEYC_PAGE_KEYBOARD 0x07u
#define KEYC_PAGE_BUTTON 0x09u
#define KEYC_PAGE_CONSUMER 0x0Cu
#define KEYC_FIRST_MODIFIER KEYC_ACTION(KEYC_PAGE_KEYBOARD, 0xE0u, 0u)
#define KEYC_MODIFIER_COUNT 8u

/* Of a held press: the switch's or the chord's number, and what became of it. */
#define KEYC_BY_NUMBER 0x0FFFu
#define KEYC_BY_CHORD 0x8000u
#define KEYC_BY_LIFTED 0x4000u /* its own modifiers ended when another key went down */
#define KEYC_BY_USED 0x2000u   /* a next: another key went down meanwhile */
#define KEYC_BY_COVERED 0x1000u /* the key that a next waited for */

/* Whether a cell holds a layer, whose number is in bits 0 to 7: by its name, or by `next`. */
#define KEYC_HOLDS_LAYER(cell) ((((unsigned)(cell) >> 10) & 0x1Fu) == 0x18u)
/* Whether it is `next` of modifiers, which are bits 0 to 7. */
#define KEYC_HOLDS_NEXT_MODIFIERS(cell) ((unsigned)(cell) >> 10 == 0x39u)

/* Sets of layers and of switches: bit n % 32 of word n / 32. */
#define KEYC_SET_WORDS 8u

#define KEYC_NO_LAYER 0xFFu

/* A step takes a bounded time, whatever falls on the keys, so that a scan is never long in coming. Its effort
 * for switches that moved is counted: one for each of them and one for each line that they are on. After more
 * than a little it tells nothing, but the next step tells and doesn't scan; with this much it leaves other lines
 * to the next scan, which finds them changed still. */
#define KEYC_LITTLE_EFFORT 3u
#define KEYC_EFFORT_OF_A_STEP 8u

/* A press at the queue's head: what it finds, until it is decided, and then what it does. */
struct keyc_press {
    uint32_t time_us;    /* when it went down */
    keyc_cell cell;
    uint16_t by;         /* a switch's number, or KEYC_BY_CHORD with a chord's */
    uint8_t found_layer; /* where the cell comes from */
    uint8_t switch_number;
    /* With further tables: */
    const uint32_t *on;  /* the layers that lie on the bottom one */
    bool is_tap;         /* of a dual-role key */
    uint32_t typed_us;   /* when the last of its switches went down, or it did for the last time */
};

struct keyc_further_functions {
    bool (*is_decided)(struct keyc_keyboard *keyboard, struct keyc_press *press);
    /* When a press has its turn; true if that changed something that the host is to see first. */
    bool (*begin_turn)(struct keyc_keyboard *keyboard);
    /* A decided press lifts what it lifts; then, when the host knows that, acts. */
    void (*press)(struct keyc_keyboard *keyboard, const struct keyc_press *press);
    void (*act)(struct keyc_keyboard *keyboard, struct keyc_slot *slot);
    void (*release)(struct keyc_keyboard *keyboard, const struct keyc_event *event);
    void (*add_layers)(const struct keyc_keyboard *keyboard, uint32_t *on);
    /* `bytes` are all reports, as keyc_report_at says. */
    void (*amend_reports)(const struct keyc_keyboard *keyboard, uint8_t *bytes);
    bool (*type_next_stroke)(struct keyc_keyboard *keyboard);
    /* Whether the pointer has moved; and the host knows it now. */
    bool (*move_pointer)(struct keyc_keyboard *keyboard);
    void (*pointer_told)(struct keyc_keyboard *keyboard);
    void (*after_scan)(struct keyc_keyboard *keyboard);
    void (*after_telling)(struct keyc_keyboard *keyboard);
};

struct keyc_mode_functions {
    bool (*end_cover)(struct keyc_keyboard *keyboard);
    /* Whether modifiers go down. */
    bool (*puts_down)(const struct keyc_keyboard *keyboard, keyc_cell cell, uint8_t switch_number);
    void (*act)(struct keyc_keyboard *keyboard, struct keyc_slot *slot);
    void (*release)(struct keyc_keyboard *keyboard, const struct keyc_slot *slot);
    void (*add_layers)(const struct keyc_keyboard *keyboard, uint32_t *on);
    uint8_t (*modifiers)(const struct keyc_keyboard *keyboard);
};

struct keyc_pointer_functions {
    void (*begin)(struct keyc_keyboard *keyboard, keyc_cell cell);
    bool (*move)(struct keyc_keyboard *keyboard);
};

struct keyc_typing_functions {
    void (*begin)(struct keyc_keyboard *keyboard, unsigned sequence, struct keyc_slot *slot);
    bool (*type_next_stroke)(struct keyc_keyboard *keyboard);
    void (*amend_keyboard)(const struct keyc_keyboard *keyboard, uint8_t *bytes);
};

static inline uint32_t keyc_bit(unsigned n)
{
    return (uint32_t)1 << n;
}

static inline bool keyc_is_in(const uint32_t *set, unsigned n)
{
    return (set[n / 32u] & keyc_bit(n % 32u)) != 0;
}

static inline void keyc_put_in(uint32_t *set, unsigned n)
{
    set[n / 32u] |= keyc_bit(n % 32u);
}

static inline struct keyc_further *keyc_further_of(const struct keyc_keyboard *keyboard)
{
    return (struct keyc_further *)(uintptr_t)&keyboard->slots[keyboard->tables->switch_count];
}

/* A time that was more than `most_us` ago is taken for that long ago. So the clock, which comes round after
 * 71 minutes, can't make a moment ago of it. */
static inline void keyc_keep_near(uint32_t *time_us, uint32_t now_us, uint32_t most_us)
{
    if (now_us - *time_us > most_us)
        *time_us = now_us - most_us;
}

static inline bool keyc_is_modifier(keyc_action action)
{
    return KEYC_USAGE(action) - KEYC_FIRST_MODIFIER < KEYC_MODIFIER_COUNT;
}

static inline bool keyc_is_held_by(const struct keyc_slot *slot, uint8_t switch_number)
{
    return (slot->held_by & (KEYC_BY_CHORD | KEYC_BY_NUMBER)) == switch_number;
}

/* engine_scan.c */
uint32_t keyc_now_us(const struct keyc_keyboard *keyboard);
void keyc_clear(void *block, size_t count);

/* engine_settle.c */
/* Returns its effort. */
unsigned keyc_note_levels(struct keyc_keyboard *keyboard, unsigned line, uint32_t low, uint32_t now_us);
/* `effort`: of this step so far. Returns what it is afterwards. */
unsigned keyc_settle(struct keyc_keyboard *keyboard, uint32_t now_us, unsigned effort);
/* Puts an event behind all others; false when there is no room. */
bool keyc_put_event(struct keyc_keyboard *keyboard, uint8_t switch_number, bool pressed, uint32_t time_us);
/* The n-th event that waits, from 0. */
struct keyc_event *keyc_event_at(struct keyc_keyboard *keyboard, unsigned n);

/* engine_layers.c */
bool keyc_take_event(struct keyc_keyboard *keyboard);
/* What the press that was coming puts down. */
void keyc_act(struct keyc_keyboard *keyboard);
void keyc_layers_on(const struct keyc_keyboard *keyboard, uint32_t *on);
/* The cell that a press of the switch finds, and its layer. */
keyc_cell keyc_topmost_cell(const struct keyc_keyboard *keyboard, const uint32_t *on, uint8_t switch_number,
                            uint8_t *layer);
/* What a cell tells the host; 0: nothing. */
keyc_action keyc_action_of(const struct keyc_keyboard *keyboard, keyc_cell cell);
/* Ends the modifiers of presses that bring their own, since another usage goes down. */
void keyc_lift_modifiers(struct keyc_keyboard *keyboard);

/* engine_reports.c: where the reports lie when all are written one after the other, and where the last
 * one ends. */
extern const uint8_t keyc_report_at[KEYC_REPORTS + 1u];
void keyc_tell_host(struct keyc_keyboard *keyboard);

/* engine_further.c, for its parts */
const struct keyc_rules *keyc_rules_of(const struct keyc_keyboard *keyboard, uint8_t switch_number);
/* Whether nothing that is yet to come can be earlier than `limit_us` after `since_us`, or the queue is full. */
bool keyc_wait_is_over(const struct keyc_keyboard *keyboard, uint32_t since_us, uint32_t limit_us);
bool keyc_is_member(const struct keyc_further_tables *further, unsigned chord, uint8_t switch_number);
/* Whether the press is this switch's, or the chord's of which it is a member. */
bool keyc_is_own(const struct keyc_keyboard *keyboard, const struct keyc_press *press, uint8_t switch_number);
/* Takes the n-th event, which isn't the first, out of the queue. */
void keyc_take_out(struct keyc_keyboard *keyboard, unsigned n);

#endif
