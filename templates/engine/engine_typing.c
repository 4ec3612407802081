/* Sequences and texts. Events wait while one types, so the press that began it stays on the list of
 * those held: its place there is where each stroke goes down, and comes up before the next one. */
#include "engine_internal.h"

static void keyc_begin_typing(struct keyc_keyboard *keyboard, unsigned sequence, struct keyc_slot *slot)
{
    keyc_further_of(keyboard)->next_stroke = keyboard->tables->further->sequences[sequence];
    slot->held_cell = KEYC_CELL_OFF;
    keyboard->typing = true;
}

static struct keyc_slot *keyc_typist(struct keyc_keyboard *keyboard)
{
    return &keyboard->slots[keyboard->held_count - 1u];
}

/* False while a pause lasts. */
static bool keyc_pause(struct keyc_keyboard *keyboard, uint32_t pause_us)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    uint32_t now_us = keyc_now_us(keyboard);
    if (!further->pausing)
        further->paused_us = now_us;
    further->pausing = now_us - further->paused_us < pause_us;
    return !further->pausing;
}

/* False while a pause lasts. What is to come up does so before the next stroke. */
static bool keyc_type_next_stroke(struct keyc_keyboard *keyboard)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    struct keyc_slot *typist = keyc_typist(keyboard);
    keyc_cell next = keyboard->tables->further->strokes[further->next_stroke];
    bool is_down = typist->held_cell != KEYC_CELL_OFF;
    if (!is_down && KEYC_KIND(next) == KEYC_KIND_SPECIAL && next != KEYC_STROKES_END &&
        !keyc_pause(keyboard, KEYC_VALUE(next) * 1000u))
        return false;
    keyboard->host_knows = false;
    keyboard->keyboard_last = is_down;
    if (is_down) {
        typist->held_cell = KEYC_CELL_OFF;
        return true;
    }
    if (next == KEYC_STROKES_END) {
        keyboard->typing = false;
    } else if (KEYC_KIND(next) == KEYC_KIND_LAYER) {
        further->lifting = next == KEYC_TEXT_BEGINS;
    } else if (KEYC_KIND(next) != KEYC_KIND_SPECIAL) {
        keyc_lift_modifiers(keyboard);
        typist->held_cell = next;
        typist->held_by &= (uint16_t)~KEYC_BY_LIFTED;
        keyboard->coming = true;
    }
    ++further->next_stroke;
    return true;
}

/* In a text the modifiers that are held are lifted: only the stroke's own count. */
static void keyc_amend_typing(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    if (!keyc_further_of(keyboard)->lifting)
        return;
    keyc_cell stroke = keyboard->slots[keyboard->held_count - 1u].held_cell;
    bytes[0] = keyboard->coming ? 0 : KEYC_MODIFIERS(keyc_action_of(keyboard, stroke));
}

const struct keyc_typing_functions keyc_typing_functions = {
    .begin = keyc_begin_typing,
    .type_next_stroke = keyc_type_next_stroke,
    .amend_keyboard = keyc_amend_typing,
};
