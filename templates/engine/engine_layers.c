/* What a press finds and what its release undoes.
 *
 * All that is on (usages, modifiers, layers) follows from the list of presses that are held. So
 * everything counts per holder, and a release undoes exactly what its press did: it takes it off
 * the list, whatever has changed in between. */
#include "engine_internal.h"

struct keyc_usage keyc_usage_of(const struct keyc_tables *tables, keyc_cell cell)
{
    struct keyc_usage usage = {0, 0, 0};
    unsigned value = KEYC_VALUE(cell);
    if (KEYC_KIND(cell) == KEYC_KIND_KEY) {
        unsigned modifiers = (value >> 8) & 0xFu;
        usage.page = KEYC_PAGE_KEYBOARD;
        usage.id = (uint16_t)(value & 0xFFu);
        usage.modifiers = (uint8_t)((value & 0x1000u) ? modifiers << 4 : modifiers);
    } else if (KEYC_KIND(cell) == KEYC_KIND_ACTION) {
        usage.page = tables->actions[value].page;
        usage.id = tables->actions[value].id;
        usage.modifiers = tables->actions[value].modifiers;
    }
    return usage;
}

bool keyc_is_modifier(struct keyc_usage usage)
{
    return usage.page == KEYC_PAGE_KEYBOARD && usage.id >= KEYC_FIRST_MODIFIER && usage.id <= KEYC_LAST_MODIFIER;
}

static bool keyc_layer_is_on(const struct keyc_keyboard *keyboard, unsigned layer)
{
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        keyc_cell cell = keyboard->slots[n].held_cell;
        if (KEYC_KIND(cell) == KEYC_KIND_LAYER && KEYC_VALUE(cell) == layer)
            return true;
    }
    return layer == 0;
}

/* Later layers lie on top; the first one is always on, beneath all. */
static keyc_cell keyc_topmost_cell(const struct keyc_keyboard *keyboard, uint8_t switch_number)
{
    const struct keyc_tables *tables = keyboard->tables;
    for (unsigned layer = tables->layer_count; layer-- > 0;) {
        keyc_cell cell = tables->cells[layer * tables->switch_count + switch_number];
        if (cell != KEYC_CELL_BENEATH && keyc_layer_is_on(keyboard, layer))
            return cell;
    }
    return KEYC_CELL_OFF;
}

/* Control+Z, then D in a fast roll: Control ends as D goes down. Modifiers that are keys of their
 * own are held by the hand and stay. */
static void keyc_lift_modifiers(struct keyc_keyboard *keyboard)
{
    for (unsigned n = 0; n < keyboard->held_count; ++n)
        if (!keyc_is_modifier(keyc_usage_of(keyboard->tables, keyboard->slots[n].held_cell)))
            keyboard->slots[n].modifiers_lifted = true;
}

void keyc_press(struct keyc_keyboard *keyboard, uint8_t switch_number)
{
    keyc_cell cell = keyc_topmost_cell(keyboard, switch_number);
    if (cell == KEYC_CELL_OFF)
        return;
    if (cell == KEYC_CELL_USB_BOOT) {
        const struct keyc_port *port = keyboard->port;
        keyc_release_all(keyboard);
        keyboard->restarting = true;
        keyboard->restart_since_us = port->port_now_us(port->context);
        return;
    }
    struct keyc_usage usage = keyc_usage_of(keyboard->tables, cell);
    if (usage.page != 0 && !keyc_is_modifier(usage))
        keyc_lift_modifiers(keyboard);
    struct keyc_slot *slot = &keyboard->slots[keyboard->held_count++];
    slot->held_cell = cell;
    slot->held_by = switch_number;
    slot->modifiers_lifted = false;
}

void keyc_release(struct keyc_keyboard *keyboard, uint8_t switch_number)
{
    unsigned kept = 0;
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        if (keyboard->slots[n].held_by == switch_number)
            continue;
        keyboard->slots[kept].held_cell = keyboard->slots[n].held_cell;
        keyboard->slots[kept].held_by = keyboard->slots[n].held_by;
        keyboard->slots[kept].modifiers_lifted = keyboard->slots[n].modifiers_lifted;
        ++kept;
    }
    keyboard->held_count = (uint8_t)kept;
}

void keyc_release_all(struct keyc_keyboard *keyboard)
{
    keyboard->held_count = 0;
    keyboard->event_count = 0;
}
