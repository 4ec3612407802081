/* What a press finds and what its release undoes.
 *
 * All that is on (usages, modifiers, layers) follows from the list of presses that are held. So
 * everything counts per holder, and a release undoes exactly what its press did: it takes it off
 * the list, whatever has changed in between. */
#include "engine_internal.h"

keyc_action keyc_action_of(const struct keyc_keyboard *keyboard, keyc_cell cell)
{
    unsigned value = KEYC_VALUE(cell);
    unsigned modifiers = (value >> 8) & 0xFu;
    if (KEYC_KIND(cell) == KEYC_KIND_ACTION)
        return keyboard->tables->actions[value];
    if (KEYC_KIND(cell) != KEYC_KIND_KEY)
        return 0;
    return KEYC_ACTION(KEYC_PAGE_KEYBOARD, value & 0xFFu, value & 0x1000u ? modifiers << 4 : modifiers);
}

/* Layers that lie on the bottom one. */
void keyc_layers_on(const struct keyc_keyboard *keyboard, uint32_t *on)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    for (unsigned n = 0; n < KEYC_SET_WORDS; ++n)
        on[n] = 0;
    const struct keyc_slot *end = keyboard->slots + keyboard->held_count;
    for (const struct keyc_slot *slot = keyboard->slots; slot != end; ++slot)
        if (KEYC_HOLDS_LAYER(slot->held_cell))
            keyc_put_in(on, slot->held_cell & 0xFFu);
    if (further)
        further->functions->add_layers(keyboard, on);
}

/* Later layers lie on top. */
keyc_cell keyc_topmost_cell(const struct keyc_keyboard *keyboard, const uint32_t *on, uint8_t switch_number,
                            uint8_t *layer)
{
    const struct keyc_tables *tables = keyboard->tables;
    const keyc_cell *cells = tables->cells + switch_number;
    for (unsigned n = tables->layer_count; n-- > 0;) {
        keyc_cell cell = cells[n * tables->switch_count];
        *layer = (uint8_t)n;
        if (cell != KEYC_CELL_BENEATH && keyc_is_in(on, n))
            return cell;
    }
    keyc_cell cell = cells[(unsigned)keyboard->bottom * tables->switch_count];
    *layer = cell != KEYC_CELL_BENEATH ? keyboard->bottom : KEYC_NO_LAYER;
    return cell;
}

/* The newest first: all that are older than a lifted one were lifted with it. */
void keyc_lift_modifiers(struct keyc_keyboard *keyboard)
{
    for (unsigned n = keyboard->held_count; n-- > 0;) {
        struct keyc_slot *slot = &keyboard->slots[n];
        if (slot->held_by & KEYC_BY_LIFTED)
            return;
        if (!keyc_is_modifier(keyc_action_of(keyboard, slot->held_cell)))
            slot->held_by |= KEYC_BY_LIFTED;
    }
}

/* What a press lifts is told before what it puts down, so it only comes at first. */
static void keyc_press(struct keyc_keyboard *keyboard, const struct keyc_press *press)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    if (press->cell == KEYC_CELL_USB_BOOT) {
        keyboard->held_count = keyboard->event_count = 0;
        keyboard->restarting = true;
        keyboard->restart_since_us = keyc_now_us(keyboard);
        return;
    }
    if (further)
        further->functions->press(keyboard, press);
    /* Control+Z, then D in a fast roll: Control ends as D goes down. */
    if (keyc_action_of(keyboard, press->cell) != 0)
        keyc_lift_modifiers(keyboard);
    struct keyc_slot *slot = &keyboard->slots[keyboard->held_count++];
    slot->held_cell = press->cell;
    slot->held_by = press->by;
    keyboard->coming = true;
}

void keyc_act(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    keyboard->coming = keyboard->host_knows = false;
    if (further)
        further->functions->act(keyboard, &keyboard->slots[keyboard->held_count - 1u]);
}

static void keyc_release(struct keyc_keyboard *keyboard, const struct keyc_event *event)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    unsigned kept = 0;
    if (further)
        further->functions->release(keyboard, event);
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        const struct keyc_slot *slot = &keyboard->slots[n];
        if (keyc_is_held_by(slot, event->switch_number))
            continue;
        keyboard->slots[kept].held_cell = slot->held_cell;
        keyboard->slots[kept].held_by = slot->held_by;
        ++kept;
    }
    keyboard->held_count = (uint8_t)kept;
}

/* Deals with the first event; false if it is a press that only time or a later event can decide. */
bool keyc_take_event(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    const struct keyc_event *event = keyc_event_at(keyboard, 0);
    struct keyc_press press;
    bool pressed = event->pressed;
    if (pressed) {
        uint32_t on[KEYC_SET_WORDS];
        press.time_us = event->time_us;
        press.by = press.switch_number = event->switch_number;
        if (further && further->functions->begin_turn(keyboard))
            return true;
        keyc_layers_on(keyboard, on);
        press.on = on;
        press.cell = keyc_topmost_cell(keyboard, on, press.switch_number, &press.found_layer);
        keyboard->undecided = further && !further->functions->is_decided(keyboard, &press);
        if (keyboard->undecided)
            return false;
    }
    keyboard->first_event = (uint8_t)((keyboard->first_event + 1u) % KEYC_EVENTS);
    --keyboard->event_count;
    keyboard->keyboard_last = !pressed;
    keyboard->host_knows = false;
    if (pressed)
        keyc_press(keyboard, &press);
    else
        keyc_release(keyboard, event);
    return true;
}
