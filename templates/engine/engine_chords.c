/* Keys that together do something of their own. A press at the queue's head gathers companions from
 * the presses behind it, as long as some chord has them all. */
#include "engine_internal.h"

struct keyc_grip {
    uint32_t on[KEYC_SET_WORDS];
    uint8_t switches[KEYC_EVENTS]; /* in the order of their presses, the head's first */
    unsigned count;
};

/* How many of the grip's first presses it takes until the chord is complete; 0: it isn't. */
static unsigned keyc_complete_at(const struct keyc_further_tables *further, const struct keyc_chord *chord,
                                 const struct keyc_grip *grip)
{
    unsigned found = 0;
    for (unsigned n = 0; n < grip->count; ++n)
        for (unsigned member = 0; member < chord->count; ++member)
            if (further->chord_members[chord->first + member] == grip->switches[n] && ++found == chord->count)
                return n + 1u;
    return 0;
}

static bool keyc_has_all(const struct keyc_keyboard *keyboard, unsigned chord, const struct keyc_grip *grip)
{
    for (unsigned n = 0; n < grip->count; ++n)
        if (!keyc_is_member(keyboard->tables->further, chord, grip->switches[n]))
            return false;
    return true;
}

/* Whether no member but those at hand is down, and the topmost cells of all are the chord's layer's. */
static bool keyc_is_possible(const struct keyc_keyboard *keyboard, unsigned number, const struct keyc_press *press,
                             const struct keyc_grip *grip)
{
    const struct keyc_chord *chord = &keyboard->tables->further->chords[number];
    const uint8_t *members = keyboard->tables->further->chord_members + chord->first;
    uint8_t layer;
    if (chord->layer != press->found_layer || !keyc_is_member(keyboard->tables->further, number, press->switch_number))
        return false;
    for (unsigned n = 0; n < chord->count; ++n) {
        (void)keyc_topmost_cell(keyboard, grip->on, members[n], &layer);
        if (layer != chord->layer || keyc_is_in(keyc_further_of(keyboard)->down, members[n]))
            return false;
    }
    return true;
}

/* Whether some chord has all of the grip; `more`: and more than that. */
static bool keyc_fits(const struct keyc_keyboard *keyboard, const struct keyc_press *press,
                      const struct keyc_grip *grip, bool *more)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    bool fits = false;
    *more = false;
    for (unsigned n = 0; n < further->chord_count && !*more; ++n)
        if (keyc_has_all(keyboard, n, grip) && keyc_is_possible(keyboard, n, press, grip)) {
            fits = true;
            *more = further->chords[n].count > grip->count;
        }
    return fits;
}

/* Gathers what is there. False: more may come. */
static bool keyc_gather(struct keyc_keyboard *keyboard, const struct keyc_press *press, struct keyc_grip *grip)
{
    uint32_t within_us = keyc_rules_of(keyboard, press->switch_number)->chord_within_us;
    bool more;
    if (!keyc_fits(keyboard, press, grip, &more))
        return true;
    for (unsigned n = 1; more && n < keyboard->event_count; ++n) {
        struct keyc_event event = *keyc_event_at(keyboard, n);
        if (event.time_us - press->time_us >= within_us)
            return true;
        if (event.pressed) {
            grip->switches[grip->count++] = event.switch_number;
            if (keyc_fits(keyboard, press, grip, &more))
                continue;
            --grip->count;
            return true;
        }
        for (unsigned held = 0; held < grip->count; ++held)
            if (grip->switches[held] == event.switch_number)
                return true;
    }
    return !more || keyc_wait_is_over(keyboard, press->time_us, within_us);
}

bool keyc_match_chords(struct keyc_keyboard *keyboard, struct keyc_press *press)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_grip grip = {.switches = {press->switch_number}, .count = 1};
    unsigned most = 0, soonest = 0;
    keyc_layers_on(keyboard, grip.on);
    if (!keyc_gather(keyboard, press, &grip))
        return false;
    for (unsigned n = 0; n < further->chord_count; ++n) {
        const struct keyc_chord *chord = &further->chords[n];
        unsigned complete = keyc_complete_at(further, chord, &grip);
        if (complete == 0 || chord->count < most || (chord->count == most && complete >= soonest) ||
            !keyc_is_possible(keyboard, n, press, &grip))
            continue;
        most = chord->count;
        soonest = complete;
        press->cell = chord->cell;
        press->by = (uint16_t)(KEYC_BY_CHORD | n);
    }
    for (unsigned n = 1; press->by & KEYC_BY_CHORD && n < keyboard->event_count; ++n)
        if (keyc_event_at(keyboard, n)->switch_number == grip.switches[soonest - 1u]) {
            press->typed_us = keyc_event_at(keyboard, n)->time_us;
            break;
        }
    return true;
}
