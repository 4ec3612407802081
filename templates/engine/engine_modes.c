/* For the next key only, until pressed again, the bottom layer, layers that are on while others are. */
#include "engine_internal.h"

#define KEYC_LOCKED 1u
#define KEYC_ARMED 2u

static bool keyc_is_next(keyc_cell cell)
{
    return KEYC_KIND(cell) == KEYC_KIND_MODE && KEYC_MODE(cell) == KEYC_MODE_NEXT;
}

/* Layers that are on while others are, until none is added any more. */
static void keyc_add_when(const struct keyc_keyboard *keyboard, uint32_t *on)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    bool added = true;
    while (added) {
        added = false;
        for (unsigned n = 0; n < further->when_count; ++n) {
            const struct keyc_when *when = &further->whens[n];
            bool all = !keyc_is_in(on, when->layer);
            for (unsigned other = 0; all && other < when->count; ++other) {
                uint8_t layer = further->when_layers[when->first + other];
                all = layer == keyboard->bottom || keyc_is_in(on, layer);
            }
            if (all)
                keyc_put_in(on, when->layer);
            added |= all;
        }
    }
}

static void keyc_add_layers(const struct keyc_keyboard *keyboard, uint32_t *on)
{
    const struct keyc_further *further = keyc_further_of(keyboard);
    for (unsigned layer = 0; layer < keyboard->tables->layer_count; ++layer)
        if (further->layers[layer])
            keyc_put_in(on, layer);
    keyc_add_when(keyboard, on);
}

static uint8_t keyc_modifiers(const struct keyc_keyboard *keyboard)
{
    const struct keyc_further *further = keyc_further_of(keyboard);
    return further->locked_modifiers | further->armed_modifiers | further->cover_modifiers;
}

static bool keyc_end_cover(struct keyc_keyboard *keyboard)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    bool covered = further->cover_modifiers != 0;
    if (covered)
        keyboard->host_knows = false;
    further->cover_modifiers = 0;
    return covered;
}

/* A next waits for any press but those that only change modifiers or hold layers. */
static bool keyc_counts(const struct keyc_keyboard *keyboard, keyc_cell cell)
{
    if (KEYC_KIND(cell) == KEYC_KIND_LAYER || keyc_is_next(cell) || keyc_is_modifier(keyc_action_of(keyboard, cell)))
        return false;
    return KEYC_KIND(cell) != KEYC_KIND_MODE || KEYC_MODE(cell) != KEYC_MODE_LOCK || !(cell & KEYC_MODE_MODIFIERS);
}

/* What is armed covers this press, and every next that is held has acted as held. */
static void keyc_cover(struct keyc_keyboard *keyboard, struct keyc_slot *slot)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    for (unsigned n = 0; n < keyboard->held_count; ++n)
        keyboard->slots[n].held_by = (uint16_t)((keyboard->slots[n].held_by | KEYC_BY_USED) & ~KEYC_BY_COVERED);
    if (further->armed_modifiers)
        slot->held_by |= KEYC_BY_COVERED;
    further->cover_modifiers = further->armed_modifiers;
    further->armed_modifiers = 0;
    for (unsigned layer = 0; layer < keyboard->tables->layer_count; ++layer)
        further->layers[layer] &= (uint8_t)~KEYC_ARMED;
}

static bool keyc_is_locked(const struct keyc_further *further, keyc_cell cell)
{
    uint8_t of = (uint8_t)cell;
    return cell & KEYC_MODE_MODIFIERS ? (further->locked_modifiers & of) != 0 : (further->layers[of] & KEYC_LOCKED) != 0;
}

static void keyc_set_locked(struct keyc_further *further, keyc_cell cell, bool locked)
{
    uint8_t of = (uint8_t)cell;
    uint8_t *flags = cell & KEYC_MODE_MODIFIERS ? &further->locked_modifiers : &further->layers[of];
    uint8_t bit = cell & KEYC_MODE_MODIFIERS ? of : KEYC_LOCKED;
    *flags = (uint8_t)(locked ? *flags | bit : *flags & ~bit);
}

static bool keyc_is_armed(const struct keyc_further *further, keyc_cell cell)
{
    uint8_t of = (uint8_t)cell;
    return cell & KEYC_MODE_MODIFIERS ? (further->armed_modifiers & of) != 0 : (further->layers[of] & KEYC_ARMED) != 0;
}

static void keyc_set_armed(struct keyc_further *further, keyc_cell cell, bool armed)
{
    uint8_t of = (uint8_t)cell;
    uint8_t *flags = cell & KEYC_MODE_MODIFIERS ? &further->armed_modifiers : &further->layers[of];
    uint8_t bit = cell & KEYC_MODE_MODIFIERS ? of : KEYC_ARMED;
    *flags = (uint8_t)(armed ? *flags | bit : *flags & ~bit);
}

/* `next-twice locks`: a next that is armed becomes a lock, and a next on a lock ends it. */
static bool keyc_changes_lock(const struct keyc_keyboard *keyboard, keyc_cell cell, uint8_t switch_number)
{
    const struct keyc_further *further = keyc_further_of(keyboard);
    return keyc_rules_of(keyboard, switch_number)->flags & KEYC_NEXT_TWICE_LOCKS &&
           (keyc_is_locked(further, cell) || keyc_is_armed(further, cell));
}

static bool keyc_puts_down(const struct keyc_keyboard *keyboard, keyc_cell cell, uint8_t switch_number)
{
    if (KEYC_KIND(cell) != KEYC_KIND_MODE || !(cell & KEYC_MODE_MODIFIERS))
        return false;
    if (keyc_is_next(cell))
        return !keyc_changes_lock(keyboard, cell, switch_number);
    return KEYC_MODE(cell) == KEYC_MODE_LOCK && !keyc_is_locked(keyc_further_of(keyboard), cell);
}

static void keyc_act_mode(struct keyc_keyboard *keyboard, struct keyc_slot *slot)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    keyc_cell cell = slot->held_cell;
    if (keyc_counts(keyboard, cell))
        keyc_cover(keyboard, slot);
    if (KEYC_KIND(cell) != KEYC_KIND_MODE)
        return;
    bool changes_lock = KEYC_MODE(cell) == KEYC_MODE_LOCK;
    if (keyc_is_next(cell) && keyc_changes_lock(keyboard, cell, further->acting)) {
        changes_lock = true;
        if (!keyc_is_locked(further, cell))
            keyc_set_armed(further, cell, false);
        slot->held_cell = KEYC_CELL_OFF; /* it is no next any more */
    }
    if (changes_lock)
        keyc_set_locked(further, cell, !keyc_is_locked(further, cell));
    else if (KEYC_MODE(cell) == KEYC_MODE_BOTTOM)
        keyboard->bottom = (uint8_t)cell;
}

static void keyc_release_mode(struct keyc_keyboard *keyboard, const struct keyc_slot *slot)
{
    if (slot->held_by & KEYC_BY_COVERED)
        keyc_further_of(keyboard)->cover_modifiers = 0;
    if (keyc_is_next(slot->held_cell) && !(slot->held_by & KEYC_BY_USED))
        keyc_set_armed(keyc_further_of(keyboard), slot->held_cell, true);
}

const struct keyc_mode_functions keyc_mode_functions = {
    .end_cover = keyc_end_cover,
    .puts_down = keyc_puts_down,
    .act = keyc_act_mode,
    .release = keyc_release_mode,
    .add_layers = keyc_add_layers,
    .modifiers = keyc_modifiers,
};
