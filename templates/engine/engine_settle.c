/* Debounce: from levels to events, each switch in its own time.
 *
 * Each running time has a bit in `unsettled`, which scanning clears once the time is over. So a
 * time is never compared after it has ended, and the clock's wrap at 2^32 us can't be mistaken for
 * a recent change. */
#include "engine_internal.h"

static const struct keyc_timing *keyc_timing_of(const struct keyc_keyboard *keyboard, uint8_t switch_number)
{
    const struct keyc_tables *tables = keyboard->tables;
    return &tables->timings[tables->timing_of ? tables->timing_of[switch_number] : 0];
}

struct keyc_event *keyc_event_at(struct keyc_keyboard *keyboard, unsigned n)
{
    return &keyboard->events[(keyboard->first_event + n) % KEYC_EVENTS];
}

bool keyc_put_event(struct keyc_keyboard *keyboard, uint8_t switch_number, bool pressed, uint32_t time_us)
{
    keyboard->queue_full = keyboard->event_count == KEYC_EVENTS;
    if (keyboard->queue_full)
        return false;
    struct keyc_event *event = keyc_event_at(keyboard, keyboard->event_count++);
    event->time_us = time_us;
    event->switch_number = switch_number;
    event->pressed = pressed;
    return true;
}

/* False when the queue is full: then the switch isn't told yet. So what is lost, if the host takes
 * nothing for 64 events, is a press together with its release, never one of the two. */
static bool keyc_tell(struct keyc_keyboard *keyboard, unsigned line, uint32_t bit, uint8_t switch_number,
                      uint32_t time_us)
{
    if (!keyc_put_event(keyboard, switch_number, (keyboard->told[line] & bit) == 0, time_us))
        return false;
    keyboard->told[line] ^= bit;
    return true;
}

/* Those of a line's switches that have a bit: they have changed, or their debounce time is running. Returns
 * its effort. Line `driven_count`, one past the driven ones, is the direct switches. */
static unsigned keyc_for_switches(struct keyc_keyboard *keyboard, unsigned line, uint32_t bits, uint32_t now_us,
                                  bool changed)
{
    const struct keyc_tables *tables = keyboard->tables;
    const uint8_t *switches = tables->switch_at + line * tables->sensed_count;
    const uint8_t *pins = tables->sensed;
    unsigned many = tables->sensed_count, effort = 1;
    if (line == tables->driven_count) {
        pins = tables->direct;
        many = tables->direct_count;
    }
    for (unsigned n = 0; n < many; ++n) {
        uint32_t bit = keyc_bit(pins[n]);
        uint8_t number = switches[n];
        if (!(bits & bit) || number == KEYC_NO_SWITCH)
            continue;
        const struct keyc_timing *timing = keyc_timing_of(keyboard, number);
        struct keyc_slot *slot = &keyboard->slots[number];
        ++effort;
        if (changed) {
            if (timing->at_once) {
                if (keyboard->unsettled[line] & bit)
                    continue; /* told a moment ago: ignored until that time is over */
                (void)keyc_tell(keyboard, line, bit, number, now_us);
            }
        } else {
            if (now_us - slot->changed_us < timing->debounce_us)
                continue;
            bool differs = ((keyboard->closed[line] ^ keyboard->told[line]) & bit) != 0;
            if (differs && !keyc_tell(keyboard, line, bit, number, now_us))
                continue;
            if (!differs || !timing->at_once) {
                keyboard->unsettled[line] &= ~bit;
                continue;
            }
        }
        slot->changed_us = now_us;
        keyboard->unsettled[line] |= bit;
    }
    return effort;
}

/* One line of one scan. Nearly always nothing has changed: that way is the short one. */
unsigned keyc_note_levels(struct keyc_keyboard *keyboard, unsigned line, uint32_t low, uint32_t now_us)
{
    uint32_t changes = low ^ keyboard->closed[line];
    if (changes == 0)
        return 0;
    keyboard->closed[line] = low;
    return keyc_for_switches(keyboard, line, changes, now_us, true);
}

unsigned keyc_settle(struct keyc_keyboard *keyboard, uint32_t now_us, unsigned effort)
{
    unsigned line = keyboard->settle_from;
    for (; line <= keyboard->tables->driven_count && effort < KEYC_EFFORT_OF_A_STEP; ++line)
        if (keyboard->unsettled[line] != 0)
            effort += keyc_for_switches(keyboard, line, keyboard->unsettled[line], now_us, false);
    keyboard->settle_from = (uint8_t)(line <= keyboard->tables->driven_count ? line : 0u);
    return effort;
}
