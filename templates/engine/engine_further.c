/* What keymaps with further tables need besides: which part decides a press, what a press and a
 * release do in each part, and the queue as those parts look at it. */
#include "engine_internal.h"

const struct keyc_rules *keyc_rules_of(const struct keyc_keyboard *keyboard, uint8_t switch_number)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    return &further->rules[further->rules_of ? further->rules_of[switch_number] : 0];
}

bool keyc_wait_is_over(const struct keyc_keyboard *keyboard, uint32_t since_us, uint32_t limit_us)
{
    return keyboard->queue_full || keyc_now_us(keyboard) - since_us >= limit_us;
}

/* What is taken out mostly stands near the head: those before it move up. */
void keyc_take_out(struct keyc_keyboard *keyboard, unsigned n)
{
    for (; n > 0; --n)
        *keyc_event_at(keyboard, n) = *keyc_event_at(keyboard, n - 1u);
    keyboard->first_event = (uint8_t)((keyboard->first_event + 1u) % KEYC_EVENTS);
    --keyboard->event_count;
}

bool keyc_is_member(const struct keyc_further_tables *further, unsigned chord, uint8_t switch_number)
{
    unsigned words = (further->chord_switch_count + 31u) / 32u;
    uint8_t place = further->chord_place_of[switch_number];
    return place != KEYC_NO_SWITCH && keyc_is_in(further->chord_sets + chord * words, place);
}

bool keyc_is_own(const struct keyc_keyboard *keyboard, const struct keyc_press *press, uint8_t switch_number)
{
    if (press->by & KEYC_BY_CHORD)
        return keyc_is_member(keyboard->tables->further, press->by & KEYC_BY_NUMBER, switch_number);
    return press->switch_number == switch_number;
}

/* A chord's other presses are part of the one that was first. None of its switches goes up before the
 * last of them went down, so the first press of each is meant. */
static void keyc_take_out_members(struct keyc_keyboard *keyboard, const struct keyc_press *press)
{
    unsigned left = keyboard->tables->further->chords[press->by & KEYC_BY_NUMBER].count - 1u;
    for (unsigned n = 1; left != 0 && n < keyboard->event_count; ++n) {
        const struct keyc_event *event = keyc_event_at(keyboard, n);
        if (event->pressed && keyc_is_own(keyboard, press, event->switch_number)) {
            keyc_take_out(keyboard, n--);
            --left;
        }
    }
}

/* Chords are looked for when an event has come or the time is over, and in a step that does nothing else; what
 * comes of it is done in later ones. */
static bool keyc_chord_is_known(struct keyc_keyboard *keyboard, struct keyc_press *press)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_further *state = keyc_further_of(keyboard);
    if (state->chord_known) {
        press->by = state->chord_by;
        press->typed_us = state->chord_us;
        if (press->by & KEYC_BY_CHORD)
            press->cell = further->chords[press->by & KEYC_BY_NUMBER].cell;
        return true;
    }
    if (further->chord_place_of[press->switch_number] == KEYC_NO_SWITCH || press->found_layer == KEYC_NO_LAYER)
        return true;
    if (state->chord_events == keyboard->event_count &&
        !keyc_wait_is_over(keyboard, press->time_us, keyc_rules_of(keyboard, press->switch_number)->chord_within_us))
        return false;
    if (!keyboard->only_tells || keyboard->deeds != 0) {
        keyboard->only_tells = keyboard->unfinished = true;
        return false;
    }
    state->chord_known = further->match_chords(keyboard, press);
    keyboard->unfinished = true; /* that was long enough for a step */
    state->chord_by = press->by;
    state->chord_us = press->typed_us;
    return false;
}

static bool keyc_is_decided(struct keyc_keyboard *keyboard, struct keyc_press *press)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    press->typed_us = press->time_us;
    press->is_tap = false;
    if (further->match_chords && !keyc_chord_is_known(keyboard, press))
        return false;
    if (KEYC_KIND(press->cell) == KEYC_KIND_DUAL && !further->decide(keyboard, press))
        return false;
    if (KEYC_KIND(press->cell) == KEYC_KIND_TAPS && !further->count_taps(keyboard, press))
        return false;
    if (press->by & KEYC_BY_CHORD)
        keyc_take_out_members(keyboard, press);
    return true;
}

static bool keyc_begin_turn(struct keyc_keyboard *keyboard)
{
    const struct keyc_mode_functions *modes = keyboard->tables->further->modes;
    return modes && modes->end_cover(keyboard);
}

static void keyc_set_down(struct keyc_keyboard *keyboard, const struct keyc_press *press)
{
    uint32_t *down = keyc_further_of(keyboard)->down;
    const struct keyc_further_tables *further = keyboard->tables->further;
    keyc_put_in(down, press->switch_number);
    if (press->by & KEYC_BY_CHORD)
        for (unsigned n = 0; n < further->chord_switch_count; ++n)
            if (keyc_is_member(further, press->by & KEYC_BY_NUMBER, further->chord_switches[n]))
                keyc_put_in(down, further->chord_switches[n]);
}

static void keyc_press(struct keyc_keyboard *keyboard, const struct keyc_press *press)
{
    const struct keyc_mode_functions *modes = keyboard->tables->further->modes;
    struct keyc_further *state = keyc_further_of(keyboard);
    keyc_action action = keyc_action_of(keyboard, press->cell);
    if (KEYC_KIND(press->cell) == KEYC_KIND_TYPING || (action != 0 && !keyc_is_modifier(action))) {
        state->has_typed = true;
        state->typed_us = press->typed_us;
    }
    state->tapped = press->is_tap && press->by == press->switch_number ? press->switch_number + 1u : 0u;
    state->acting = press->switch_number;
    state->chord_begun = state->chord_known = false;
    state->chord_events = 0;
    state->looked_at = 0;
    keyc_set_down(keyboard, press);
    if (modes && modes->puts_down(keyboard, press->cell, press->switch_number))
        keyc_lift_modifiers(keyboard);
}

static void keyc_act_further(struct keyc_keyboard *keyboard, struct keyc_slot *slot)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    if (keyboard->typing)
        return; /* it is only a stroke */
    if (further->modes)
        further->modes->act(keyboard, slot);
    if (KEYC_KIND(slot->held_cell) == KEYC_KIND_TYPING)
        further->typing->begin(keyboard, KEYC_VALUE(slot->held_cell), slot);
    else if (further->pointer)
        further->pointer->begin(keyboard, slot->held_cell);
}

static void keyc_release(struct keyc_keyboard *keyboard, const struct keyc_event *event)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_further *state = keyc_further_of(keyboard);
    state->down[event->switch_number / 32u] &= ~keyc_bit(event->switch_number % 32u);
    if (state->tapped == event->switch_number + 1u)
        state->tapped_us = event->time_us;
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        struct keyc_slot *slot = &keyboard->slots[n];
        unsigned by = slot->held_by & (KEYC_BY_CHORD | KEYC_BY_NUMBER);
        if (by != event->switch_number) {
            /* a chord ends with the first of its switches */
            if (!(by & KEYC_BY_CHORD) || !keyc_is_member(further, by & KEYC_BY_NUMBER, event->switch_number))
                continue;
            slot->held_by = (uint16_t)((slot->held_by & ~(KEYC_BY_CHORD | KEYC_BY_NUMBER)) | event->switch_number);
        }
        if (further->modes)
            further->modes->release(keyboard, slot);
    }
}

static void keyc_add_layers(const struct keyc_keyboard *keyboard, uint32_t *on)
{
    const struct keyc_mode_functions *modes = keyboard->tables->further->modes;
    if (modes)
        modes->add_layers(keyboard, on);
}

static void keyc_amend_reports(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    const struct keyc_further *state = keyc_further_of(keyboard);
    if (further->modes)
        bytes[0] |= further->modes->modifiers(keyboard);
    if (keyboard->typing)
        further->typing->amend_keyboard(keyboard, bytes);
    for (unsigned n = 0; n < sizeof state->moved; ++n)
        bytes[keyc_report_at[KEYC_REPORT_POINTER] + 1u + n] = (uint8_t)state->moved[n];
}

static bool keyc_move_pointer(struct keyc_keyboard *keyboard)
{
    const struct keyc_pointer_functions *pointer = keyboard->tables->further->pointer;
    return pointer && pointer->move(keyboard);
}

/* What it moved is told once; the buttons stay as they are. */
static void keyc_pointer_told(struct keyc_keyboard *keyboard)
{
    struct keyc_further *state = keyc_further_of(keyboard);
    keyc_clear(state->moved, sizeof state->moved);
    keyc_clear(keyboard->sent + keyc_report_at[KEYC_REPORT_POINTER] + 1u, sizeof state->moved);
}

static void keyc_after_scan(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    if (further->read_dials)
        further->read_dials(keyboard);
}

/* No rule looks further back than 10 s. */
#define KEYC_LONG_AGO_US 0x1000000u

static void keyc_after_telling(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_further *state = keyc_further_of(keyboard);
    /* Only while nothing else is to be done: an event that waits is compared with what came before it, and may
     * be older than that itself. */
    if (further->decide && keyboard->event_count == 0 && keyboard->deeds == 0) {
        uint32_t now_us = keyc_now_us(keyboard);
        keyc_keep_near(&state->typed_us, now_us, KEYC_LONG_AGO_US);
        keyc_keep_near(&state->tapped_us, now_us, KEYC_LONG_AGO_US);
    }
    if (further->show_lights && !keyboard->unfinished && !keyboard->in_flight)
        further->show_lights(keyboard); /* such a step comes before each rest */
}

static bool keyc_type_next_stroke(struct keyc_keyboard *keyboard)
{
    return keyboard->tables->further->typing->type_next_stroke(keyboard);
}

const struct keyc_further_functions keyc_further_functions = {
    .is_decided = keyc_is_decided,
    .begin_turn = keyc_begin_turn,
    .press = keyc_press,
    .act = keyc_act_further,
    .release = keyc_release,
    .add_layers = keyc_add_layers,
    .amend_reports = keyc_amend_reports,
    .type_next_stroke = keyc_type_next_stroke,
    .move_pointer = keyc_move_pointer,
    .pointer_told = keyc_pointer_told,
    .after_scan = keyc_after_scan,
    .after_telling = keyc_after_telling,
};
