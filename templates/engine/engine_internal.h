/* What the engine's files share with one another. */
#ifndef KEYC_ENGINE_INTERNAL_H
#define KEYC_ENGINE_INTERNAL_H

#include "keyc_engine.h"

#define KEYC_PAGE_DESKTOP 0x01u
#define KEYC_PAGE_KEYBOARD 0x07u
#define KEYC_PAGE_CONSUMER 0x0Cu
#define KEYC_FIRST_MODIFIER 0xE0u
#define KEYC_LAST_MODIFIER 0xE7u

/* A line's switches in C order: its number in `told`, the pins that read it, its switch numbers. */
struct keyc_line {
    const uint8_t *pins;
    const uint8_t *switches;
    uint8_t count;
};

struct keyc_usage {
    uint16_t page, id; /* page 0: the cell tells the host nothing */
    uint8_t modifiers;
};

static inline uint32_t keyc_bit(unsigned n)
{
    return (uint32_t)1 << n;
}

/* engine_scan.c */
struct keyc_line keyc_line_of(const struct keyc_tables *tables, unsigned line);

/* engine_settle.c */
void keyc_note_levels(struct keyc_keyboard *keyboard, unsigned line, uint32_t low, uint32_t now_us);
void keyc_settle(struct keyc_keyboard *keyboard, uint32_t now_us);

/* engine_layers.c */
void keyc_press(struct keyc_keyboard *keyboard, uint8_t switch_number);
void keyc_release(struct keyc_keyboard *keyboard, uint8_t switch_number);
void keyc_release_all(struct keyc_keyboard *keyboard);
struct keyc_usage keyc_usage_of(const struct keyc_tables *tables, keyc_cell cell);
bool keyc_is_modifier(struct keyc_usage usage);

/* engine_reports.c */
void keyc_tell_host(struct keyc_keyboard *keyboard);
bool keyc_host_knows(const struct keyc_keyboard *keyboard);

#endif
