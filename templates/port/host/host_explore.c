/* The engine as a thing to explore: one step of a finger, and the state that it leads to as bytes that
 * are the same whenever the engine would go on in the same way.
 *
 * For that, all times become ages, and what no longer matters is cleared: how old an age is once every
 * rule has passed it, places behind the ends of lists, how far the pointer has come. */
#include "host.h"

#include "engine_internal.h"

/* Every explored state stands at this time. */
#define KEYC_HOST_ORIGIN_US 0x40000000u
/* No rule compares events that are further apart: at most four wait, each within the longest rule of another. */
#define KEYC_HOST_RULES_APART 5u

struct keyc_host_limits {
    uint32_t waiting_us, typing_us, tapped_us;
};

static uint32_t keyc_host_longer(uint32_t one, uint32_t other)
{
    return one > other ? one : other;
}

static struct keyc_host_limits keyc_host_limits_of(const struct keyc_keyboard *keyboard)
{
    const struct keyc_tables *tables = keyboard->tables;
    struct keyc_host_limits limits = {0, 0, 0};
    for (unsigned n = 0; tables->further && n < tables->switch_count; ++n) {
        const struct keyc_rules *rules = keyc_rules_of(keyboard, (uint8_t)n);
        limits.waiting_us = keyc_host_longer(limits.waiting_us, rules->hold_after_us);
        limits.waiting_us = keyc_host_longer(limits.waiting_us, rules->chord_within_us);
        limits.waiting_us = keyc_host_longer(limits.waiting_us, rules->taps_within_us);
        limits.typing_us = keyc_host_longer(limits.typing_us, rules->tap_if_typing_within_us);
        limits.tapped_us = keyc_host_longer(limits.tapped_us, rules->repeat_if_tapped_within_us);
    }
    limits.waiting_us *= KEYC_HOST_RULES_APART;
    return limits;
}

static uint32_t keyc_host_rebased(uint32_t time_us, uint32_t now_us, uint32_t most_us)
{
    uint32_t age_us = now_us - time_us;
    return KEYC_HOST_ORIGIN_US - (age_us < most_us ? age_us : most_us);
}

static void keyc_host_rebase_events(struct keyc_keyboard *keyboard, uint32_t now_us, uint32_t most_us)
{
    struct keyc_event events[KEYC_EVENTS];
    keyc_clear(events, sizeof events);
    for (unsigned n = 0; n < keyboard->event_count; ++n) {
        const struct keyc_event *event = keyc_event_at(keyboard, n);
        events[n].time_us = keyc_host_rebased(event->time_us, now_us, most_us);
        events[n].switch_number = event->switch_number;
        events[n].pressed = event->pressed;
    }
    keyboard->first_event = 0;
    for (unsigned n = 0; n < KEYC_EVENTS; ++n)
        keyboard->events[n] = events[n];
}

static void keyc_host_rebase_further(struct keyc_keyboard *keyboard, uint32_t now_us,
                                     const struct keyc_host_limits *limits)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    if (!further->has_typed || now_us - further->typed_us >= limits->typing_us) {
        further->has_typed = false;
        further->typed_us = 0;
    } else {
        further->typed_us = keyc_host_rebased(further->typed_us, now_us, limits->typing_us);
    }
    /* The time of a tap begins to count with its release. */
    bool is_down = further->tapped != 0 && keyc_is_in(further->down, further->tapped - 1u);
    if (further->tapped == 0 || is_down || now_us - further->tapped_us >= limits->tapped_us) {
        if (!is_down || limits->tapped_us == 0)
            further->tapped = 0;
        further->tapped_us = 0;
    } else {
        further->tapped_us = keyc_host_rebased(further->tapped_us, now_us, limits->tapped_us);
    }
    further->paused_us = further->moving_since_us = further->moved_us = further->wheeled_us = 0;
    further->next_stroke = further->moved_part = 0;
    further->acting = further->chord_events = 0;
    if (!further->chord_begun)
        keyc_clear(further->chord_free, sizeof further->chord_free);
    further->moving = false;
    keyc_clear(further->moved, sizeof further->moved);
}

/* Nothing is left to be told; what the pointer moves doesn't count. */
static bool keyc_host_is_quiet(const struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    bool told = (keyboard->host_knows && !keyboard->in_flight) || (further && further->pointer);
    return told && !keyboard->coming && !keyboard->typing && (keyboard->event_count == 0 || keyboard->undecided);
}

static void keyc_host_rebase(struct keyc_host *host, uint32_t now_us)
{
    struct keyc_keyboard *keyboard = host->keyboard;
    struct keyc_host_limits limits = keyc_host_limits_of(keyboard);
    keyc_host_rebase_events(keyboard, now_us, limits.waiting_us);
    for (unsigned n = 0; n < keyboard->tables->switch_count; ++n) {
        struct keyc_slot *slot = &keyboard->slots[n];
        slot->changed_us = 0;
        if (n >= keyboard->held_count)
            slot->held_cell = slot->held_by = 0;
    }
    if (keyboard->tables->further)
        keyc_host_rebase_further(keyboard, now_us, &limits);
    if (keyc_host_is_quiet(keyboard)) { /* the pointer alone may have something to tell */
        keyc_clear(keyboard->sent + keyc_report_at[KEYC_REPORT_POINTER] + 1u,
                   KEYC_POINTER_REPORT_BYTES - 1u);
        keyboard->in_flight = false;
        keyboard->host_knows = true;
        keyboard->keyboard_last = false;
    }
    host->report_waits = false;
    host->log_count = 0;
    host->lines.now_us = KEYC_HOST_ORIGIN_US;
    host->next_frame_us = KEYC_HOST_ORIGIN_US + KEYC_HOST_FRAME_US;
}

uint32_t keyc_host_step(struct keyc_host *host, uint8_t switch_number, uint8_t moves, uint32_t step_us,
                        uint32_t most_us)
{
    uint64_t began_us = host->lines.now_us;
    bool kept = true;
    if (moves & KEYC_HOST_PRESSES)
        kept = keyc_host_tell(host, switch_number, true);
    if (moves & KEYC_HOST_RELEASES)
        kept = keyc_host_tell(host, switch_number, false) && kept;
    uint64_t passed_us = 0;
    while (!host->keyboard->restarting && passed_us < most_us &&
           (passed_us == 0 || passed_us % step_us != 0 || !keyc_host_is_quiet(host->keyboard))) {
        host->log_count = 0;
        keyc_host_run_without_board(host, host->lines.now_us + KEYC_HOST_FRAME_US);
        passed_us = host->lines.now_us - began_us;
    }
    uint32_t found = (kept ? 0u : KEYC_HOST_LOST) | (host->keyboard->restarting ? KEYC_HOST_RESTARTED : 0u);
    if (!host->keyboard->restarting) {
        if (!keyc_host_is_quiet(host->keyboard))
            found |= KEYC_HOST_UNTOLD;
        /* Fingers are quick beside all rules: only a step in which none moves makes anything older. */
        keyc_host_rebase(host, (uint32_t)(moves ? began_us : host->lines.now_us));
    }
    return found | (uint32_t)host->keyboard->event_count << KEYC_HOST_WAITING_SHIFT;
}

void keyc_host_save(const struct keyc_host *host, uint8_t *bytes)
{
    const uint8_t *state = (const uint8_t *)host->keyboard;
    for (uint32_t n = 0; n < keyc_host_keyboard_bytes(host->keyboard->tables); ++n)
        bytes[n] = state[n];
}

void keyc_host_restore(struct keyc_host *host, const uint8_t *bytes)
{
    uint8_t *state = (uint8_t *)host->keyboard;
    for (uint32_t n = keyc_host_keyboard_bytes(host->keyboard->tables); n-- > 0;)
        state[n] = bytes[n];
    host->report_waits = false;
    host->log_count = 0;
    host->lines.now_us = KEYC_HOST_ORIGIN_US;
    host->next_frame_us = KEYC_HOST_ORIGIN_US + KEYC_HOST_FRAME_US;
}

void keyc_host_note_found(const struct keyc_host *host, uint8_t *layers, uint8_t *cells, uint8_t *chords)
{
    const struct keyc_keyboard *keyboard = host->keyboard;
    const struct keyc_tables *tables = keyboard->tables;
    uint32_t on[KEYC_SET_WORDS];
    keyc_layers_on(keyboard, on);
    for (unsigned n = 0; n < tables->layer_count; ++n)
        layers[n] |= n == keyboard->bottom || keyc_is_in(on, n);
    for (unsigned n = 0; n < keyboard->held_count; ++n)
        if (keyboard->slots[n].held_by & KEYC_BY_CHORD)
            chords[keyboard->slots[n].held_by & KEYC_BY_NUMBER] = 1;
    if (keyboard->event_count != 0)
        return; /* a press waits its turn, and other layers may be on by then */
    for (unsigned n = 0; n < tables->switch_count; ++n) {
        uint8_t layer;
        bool is_down = tables->further && keyc_is_in(keyc_further_of(keyboard)->down, n);
        for (unsigned held = 0; held < keyboard->held_count; ++held)
            is_down |= keyc_is_held_by(&keyboard->slots[held], (uint8_t)n);
        (void)keyc_topmost_cell(keyboard, on, (uint8_t)n, &layer);
        if (!is_down && layer != KEYC_NO_LAYER)
            cells[layer * tables->switch_count + n] = 1;
    }
}

/* What reports show of keys, buttons and modifiers, but for these modifiers. */
static bool keyc_host_shows(const struct keyc_keyboard *keyboard, uint8_t but_modifiers)
{
    uint8_t bytes[KEYC_KEYBOARD_REPORT_BYTES];
    bool shows = false;
    for (uint8_t which = 0; which < KEYC_REPORTS; ++which) {
        uint8_t length = keyc_current_report(keyboard, which, bytes);
        if (which == KEYC_REPORT_KEYBOARD)
            bytes[0] &= (uint8_t)~but_modifiers;
        if (which == KEYC_REPORT_POINTER && length != 0)
            length = 1;
        for (uint8_t n = 0; n < length; ++n)
            shows |= bytes[n] != 0;
    }
    return shows;
}

uint32_t keyc_host_rest(const struct keyc_host *host, uint8_t *modes)
{
    const struct keyc_keyboard *keyboard = host->keyboard;
    const struct keyc_further *further = keyboard->tables->further ? keyc_further_of(keyboard) : 0;
    modes[0] = keyboard->bottom;
    modes[1] = further ? further->locked_modifiers : 0;
    modes[2] = further ? further->armed_modifiers : 0;
    for (unsigned n = 0; n < keyboard->tables->layer_count; ++n)
        modes[3u + n] = further ? further->layers[n] : 0;
    return (keyboard->held_count != 0 ? KEYC_HOST_HOLDS : 0u) |
           (keyc_host_shows(keyboard, (uint8_t)(modes[1] | modes[2])) ? KEYC_HOST_SHOWS : 0u);
}
