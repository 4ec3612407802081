/* Keys that together do something of their own. A press at the queue's head gathers companions from
 * the presses behind it, as long as some chord has them all.
 *
 * Sets are words of bits, a bit for each switch that is in any chord. A step takes as long as there are
 * chords with the first key in them, whatever the others are. */
#include "engine_internal.h"

struct keyc_grip {
    const uint32_t *free; /* switches that are up and find their cells on the press's layer */
    uint32_t has[KEYC_SET_WORDS];  /* what is gathered */
    unsigned words, count;
    uint8_t layer;
};

/* The best chord so far. */
struct keyc_find {
    unsigned count; /* its switches; 0: there is none */
    uint16_t number;
};

static bool keyc_rest_lies_in(const uint32_t *part, const uint32_t *whole, unsigned words)
{
    uint32_t outside = 0;
    for (unsigned n = 1; n < words; ++n)
        outside |= part[n] & ~whole[n];
    return outside == 0;
}

/* One word is the usual case. */
static inline bool keyc_lies_in(const uint32_t *part, const uint32_t *whole, unsigned words)
{
    return (part[0] & ~whole[0]) == 0 && (words == 1u || keyc_rest_lies_in(part, whole, words));
}

/* Keeps of a set those switches that have a cell on a layer, or that have none. */
static void keyc_keep(const struct keyc_further_tables *further, const keyc_cell *cells, bool some, uint32_t *set)
{
    const uint8_t *number = further->chord_switches;
    const uint8_t *end = number + further->chord_switch_count;
    for (uint32_t bit = 1; number != end; ++number) {
        if ((cells[*number] != KEYC_CELL_BENEATH) != some)
            *set &= ~bit;
        bit <<= 1;
        set += bit == 0;
        bit += bit == 0;
    }
}

/* Later layers lie on top, as in keyc_topmost_cell. */
static void keyc_find_free(const struct keyc_keyboard *keyboard, const struct keyc_press *press, uint32_t *free)
{
    const struct keyc_tables *tables = keyboard->tables;
    const struct keyc_further_tables *further = tables->further;
    const uint32_t *down = keyc_further_of(keyboard)->down;
    unsigned above = press->found_layer;
    if (above == keyboard->bottom && !keyc_is_in(press->on, above))
        above = UINT32_MAX; /* all that is on lies above it */
    keyc_clear(free, KEYC_SET_WORDS * sizeof *free);
    for (unsigned n = 0; n < further->chord_switch_count; ++n)
        if (!keyc_is_in(down, further->chord_switches[n]))
            keyc_put_in(free, n);
    keyc_keep(further, tables->cells + (unsigned)press->found_layer * tables->switch_count, true, free);
    for (unsigned layer = tables->layer_count; layer-- > above + 1u;)
        if (keyc_is_in(press->on, layer))
            keyc_keep(further, tables->cells + layer * tables->switch_count, false, free);
}

/* Whether some chord that is possible has all that is gathered; `more`: and more than that. `found`
 * becomes the chord that the latest of them has completed, if it is a better one. */
static bool keyc_fits(const struct keyc_keyboard *keyboard, unsigned place, const struct keyc_grip *grip,
                      struct keyc_find *found, bool *more)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_find best = *found;
    bool fits = false;
    *more = false;
    for (unsigned n = further->chords_of[place]; n < further->chords_of[place + 1u]; ++n) {
        unsigned number = further->chord_list[n];
        const struct keyc_chord *chord = &further->chords[number];
        const uint32_t *set = further->chord_sets + number * grip->words;
        bool has_all = keyc_lies_in(grip->has, set, grip->words);
        bool is_complete = chord->count > best.count && keyc_lies_in(set, grip->has, grip->words);
        if (!(has_all || is_complete) || chord->layer != grip->layer || !keyc_lies_in(set, grip->free, grip->words))
            continue;
        fits |= has_all;
        *more |= has_all && chord->count > grip->count;
        if (is_complete) {
            best.count = chord->count;
            best.number = (uint16_t)number;
        }
    }
    if (fits)
        *found = best;
    return fits;
}

static bool keyc_gathered(const struct keyc_further_tables *further, const struct keyc_grip *grip,
                          uint8_t switch_number)
{
    uint8_t place = further->chord_place_of[switch_number];
    return place != KEYC_NO_SWITCH && keyc_is_in(grip->has, place);
}

/* Gathers what is there. False: more may come. */
static bool keyc_gather(struct keyc_keyboard *keyboard, struct keyc_press *press, struct keyc_grip *grip,
                        struct keyc_find *found)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    uint32_t within_us = keyc_rules_of(keyboard, press->switch_number)->chord_within_us;
    unsigned first = further->chord_place_of[press->switch_number];
    bool more;
    keyc_put_in(grip->has, first);
    if (!keyc_fits(keyboard, first, grip, found, &more))
        return true;
    const struct keyc_event *event = keyc_event_at(keyboard, 0);
    for (unsigned left = keyboard->event_count; more && --left > 0;) {
        event = event == &keyboard->events[KEYC_EVENTS - 1u] ? keyboard->events : event + 1;
        if (event->time_us - press->time_us >= within_us)
            return true;
        if (!event->pressed) {
            if (keyc_gathered(further, grip, event->switch_number))
                return true;
            continue;
        }
        unsigned place = further->chord_place_of[event->switch_number], best = found->count;
        if (place == KEYC_NO_SWITCH)
            return true;
        keyc_put_in(grip->has, place);
        ++grip->count;
        if (!keyc_fits(keyboard, first, grip, found, &more))
            return true;
        if (found->count != best)
            press->typed_us = event->time_us;
    }
    return !more || keyc_wait_is_over(keyboard, press->time_us, within_us);
}

/* What is free is found in a step of its own; it stays so while the press waits. */
bool keyc_match_chords(struct keyc_keyboard *keyboard, struct keyc_press *press)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_further *state = keyc_further_of(keyboard);
    struct keyc_grip grip;
    struct keyc_find found = {0, 0};
    if (!state->chord_begun) {
        keyc_find_free(keyboard, press, state->chord_free);
        state->chord_begun = true;
        return false;
    }
    state->chord_events = keyboard->event_count;
    grip.free = state->chord_free;
    grip.words = (further->chord_switch_count + 31u) / 32u;
    keyc_clear(grip.has, sizeof grip.has);
    grip.count = 1;
    grip.layer = press->found_layer;
    if (!keyc_gather(keyboard, press, &grip, &found))
        return false;
    if (found.count != 0) {
        press->cell = further->chords[found.number].cell;
        press->by = (uint16_t)(KEYC_BY_CHORD | found.number);
    }
    return true;
}
