/* What the host sees. One event at a time: the next one waits until the host has taken every report
 * of the one before, so that no tap is too fast for it and no order is lost. */
#include "engine_internal.h"

#define KEYC_BOOT_KEYS 6u
#define KEYC_FIRST_BITMAP_BYTE 8u
#define KEYC_KEY_USAGES 0xE0u /* 0x00 to 0xDF; the modifiers come after them */
#define KEYC_FIRST_BOOT_KEY 2u
#define KEYC_ERROR_ROLL_OVER 0x01u
#define KEYC_DEEDS_OF_A_PRESS 4u /* it has its turn, lifts what it lifts, acts, is told */

_Static_assert(KEYC_FIRST_BITMAP_BYTE + KEYC_KEY_USAGES / 8u == KEYC_KEYBOARD_REPORT_BYTES,
               "the bitmap reaches to the modifiers");
_Static_assert(KEYC_KEYBOARD_REPORT_BYTES <= 64u, "a full-speed interrupt packet holds 64 bytes");

/* What the host sees of a held press. The last one shows nothing while it is only coming; and if its
 * usage is down by another press already, that one lets it go, so that it can go down again. */
static keyc_action keyc_shown(const struct keyc_keyboard *keyboard, const struct keyc_slot *slot, keyc_action coming)
{
    keyc_action action = keyc_action_of(keyboard, slot->held_cell);
    if (KEYC_HOLDS_NEXT_MODIFIERS(slot->held_cell))
        return KEYC_ACTION(0, 0, slot->held_cell & 0xFFu);
    if (KEYC_USAGE(action) == coming && !keyc_is_modifier(action))
        return 0;
    return slot->held_by & KEYC_BY_LIFTED ? KEYC_USAGE(action) : action;
}

static inline void keyc_add_key(uint8_t *bitmap, unsigned id)
{
    bitmap[id / 8u] |= (uint8_t)keyc_bit(id & 7u);
}

/* Adds presses up to the first that is more than a key: nearly all bring no modifiers, or no longer. */
static const struct keyc_slot *keyc_add_keys(const struct keyc_slot *slot, const struct keyc_slot *end,
                                             uint8_t *bitmap, keyc_action coming)
{
    for (; slot != end; ++slot) {
        unsigned id = slot->held_cell & 0xFFu;
        if (KEYC_KIND(slot->held_cell) != KEYC_KIND_KEY || !(slot->held_by & KEYC_BY_LIFTED) || id == (uint8_t)coming)
            break;
        keyc_add_key(bitmap, id);
    }
    return slot;
}

/* The keys of the bitmap once more, as a boot report has them. */
static void keyc_add_boot_keys(uint8_t *bytes)
{
    unsigned count = 0;
    for (unsigned byte = 0; byte < KEYC_KEY_USAGES / 8u && count <= KEYC_BOOT_KEYS; ++byte) {
        unsigned id = byte * 8u;
        for (unsigned bits = bytes[KEYC_FIRST_BITMAP_BYTE + byte]; bits != 0; bits >>= 1, ++id)
            if ((bits & 1u) && ++count <= KEYC_BOOT_KEYS)
                bytes[KEYC_FIRST_BOOT_KEY - 1u + count] = (uint8_t)id;
    }
    /* HID 1.11 appendix C: more keys than there is room for, so all six say so; modifiers stay true */
    for (unsigned n = 0; count > KEYC_BOOT_KEYS && n < KEYC_BOOT_KEYS; ++n)
        bytes[KEYC_FIRST_BOOT_KEY + n] = KEYC_ERROR_ROLL_OVER;
}

const uint8_t keyc_report_at[KEYC_REPORTS + 1u] = {
    0,
    KEYC_KEYBOARD_REPORT_BYTES,
    KEYC_KEYBOARD_REPORT_BYTES + KEYC_CONSUMER_REPORT_BYTES,
    KEYC_KEYBOARD_REPORT_BYTES + KEYC_CONSUMER_REPORT_BYTES + KEYC_SYSTEM_REPORT_BYTES,
    KEYC_ALL_REPORTS_BYTES,
};

static uint8_t keyc_report_length(const struct keyc_keyboard *keyboard, unsigned which)
{
    if (which == KEYC_REPORT_KEYBOARD && keyboard->boot_protocol)
        return KEYC_BOOT_REPORT_BYTES;
    return (uint8_t)(keyc_report_at[which + 1u] - keyc_report_at[which]);
}

/* Of consumer usages the latest two, since a new press must do something. */
static void keyc_add_latest(unsigned *latest, unsigned usage)
{
    if (usage != latest[0]) {
        latest[1] = latest[0];
        latest[0] = usage;
    }
}

/* The greater one first, so that the same two are the same report. */
static void keyc_write_consumer(uint8_t *bytes, const unsigned *latest)
{
    unsigned both = latest[0] > latest[1] ? latest[1] << 16 | latest[0] : latest[0] << 16 | latest[1];
    for (unsigned n = 0; n < KEYC_CONSUMER_REPORT_BYTES; ++n, both >>= 8)
        bytes[n] = (uint8_t)both;
}

static void keyc_write_reports(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    const struct keyc_slot *slot = keyboard->slots;
    const struct keyc_slot *end = slot + keyboard->held_count - keyboard->coming;
    keyc_action coming = 0;
    unsigned latest[2] = {0, 0};
    if (keyboard->coming)
        coming = KEYC_USAGE(keyc_action_of(keyboard, end->held_cell));
    keyc_clear(bytes, KEYC_ALL_REPORTS_BYTES);
    uint8_t *bitmap = bytes + KEYC_FIRST_BITMAP_BYTE; /* with the modifiers behind it for now */
    for (slot = keyc_add_keys(slot, end, bitmap, coming); slot != end; slot = keyc_add_keys(slot + 1, end, bitmap, coming)) {
        keyc_action action = keyc_shown(keyboard, slot, coming);
        bytes[0] |= KEYC_MODIFIERS(action);
        if (KEYC_PAGE(action) == KEYC_PAGE_KEYBOARD)
            keyc_add_key(bitmap, action & 0xFFu);
        else if (KEYC_PAGE(action) == KEYC_PAGE_CONSUMER)
            keyc_add_latest(latest, (uint16_t)action);
        else if (KEYC_PAGE(action) == KEYC_PAGE_BUTTON)
            bytes[keyc_report_at[KEYC_REPORT_POINTER]] |= (uint8_t)keyc_bit((action - 1u) & 7u);
        else if (KEYC_USAGE(action) != 0)
            bytes[keyc_report_at[KEYC_REPORT_SYSTEM]] = (uint8_t)action;
    }
    bytes[0] |= bitmap[KEYC_KEY_USAGES / 8u];
    keyc_add_boot_keys(bytes);
    keyc_write_consumer(bytes + keyc_report_at[KEYC_REPORT_CONSUMER], latest);
    if (further && !keyboard->restarting)
        further->functions->amend_reports(keyboard, bytes);
}

/* [second_reports]: how many reports there are. */
static const uint8_t keyc_reports_of[] = {
    [KEYC_SECOND_NONE] = KEYC_REPORT_CONSUMER,
    [KEYC_SECOND_CONTROLS] = KEYC_REPORT_POINTER,
    [KEYC_SECOND_POINTER] = KEYC_REPORTS,
};

uint8_t keyc_current_report(const struct keyc_keyboard *keyboard, uint8_t which, uint8_t *bytes)
{
    uint8_t all[KEYC_ALL_REPORTS_BYTES];
    if (which != KEYC_REPORT_KEYBOARD && which >= keyc_reports_of[keyboard->tables->second_reports])
        return 0;
    uint8_t length = keyc_report_length(keyboard, which);
    keyc_write_reports(keyboard, all);
    for (unsigned n = 0; n < length; ++n)
        bytes[n] = all[keyc_report_at[which] + n];
    return length;
}

/* Hands the port the next report. False: it takes none now, or there is none. Control+AudioVolumeUp
 * needs two reports: Control goes first, and comes off last. */
static bool keyc_send_next(struct keyc_keyboard *keyboard)
{
    const struct keyc_port *port = keyboard->port;
    uint8_t all[KEYC_ALL_REPORTS_BYTES];
    keyc_write_reports(keyboard, all);
    for (unsigned n = 0; n < KEYC_REPORTS; ++n) {
        unsigned which = keyboard->keyboard_last ? KEYC_REPORTS - 1u - n : n;
        uint8_t length = keyc_report_length(keyboard, which);
        const uint8_t *bytes = all + keyc_report_at[which];
        uint8_t *sent = keyboard->sent + keyc_report_at[which];
        bool news = false;
        for (unsigned byte = 0; byte < length; ++byte)
            news |= bytes[byte] != sent[byte];
        if (!news)
            continue;
        if (keyboard->in_flight)
            return true; /* there is another one to follow */
        if (!port->port_send_report(port->context, (uint8_t)which, bytes, length))
            return false;
        for (unsigned byte = 0; byte < length; ++byte)
            sent[byte] = bytes[byte];
        if (which == KEYC_REPORT_POINTER)
            keyboard->tables->further->functions->pointer_told(keyboard);
        keyboard->in_flight = true;
    }
    keyboard->host_knows = true; /* as soon as it has taken that */
    return keyboard->in_flight;
}

/* One change at a time: the next one waits until the host has taken every report of the one before.
 * The strokes of a sequence go before events. False when there is nothing to do now. */
static bool keyc_tell_next(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    if (keyboard->in_flight)
        return false;
    if (!keyboard->host_knows)
        return keyc_send_next(keyboard) || keyboard->host_knows;
    if (keyboard->coming) {
        keyc_act(keyboard);
        return true;
    }
    if (keyboard->typing)
        return further->functions->type_next_stroke(keyboard);
    if (keyboard->event_count != 0 && keyc_take_event(keyboard))
        return true;
    return further && !keyboard->unfinished && further->functions->move_pointer(keyboard);
}

/* A step does what one press needs, or less where much is held or the keymap has more to do for each: then
 * the rest is left to the next step. */
void keyc_tell_host(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    unsigned most = further ? KEYC_DEEDS_OF_A_PRESS / 2u : KEYC_DEEDS_OF_A_PRESS;
    most = keyboard->held_count < 2u * most ? most - keyboard->held_count / 2u : 1u;
    bool more;
    keyboard->unfinished = false;
    keyboard->deeds = 0;
    do {
        more = keyc_tell_next(keyboard);
    } while (more && ++keyboard->deeds < most && !keyboard->unfinished);
    keyboard->unfinished |= more;
    if (further)
        further->functions->after_telling(keyboard);
}

bool keyc_has_told(const struct keyc_keyboard *keyboard)
{
    return keyboard->host_knows && !keyboard->in_flight && !keyboard->coming && !keyboard->typing &&
           (keyboard->event_count == 0 || keyboard->undecided) && !keyc_is_settling(keyboard);
}

void keyc_report_sent(struct keyc_keyboard *keyboard)
{
    keyboard->in_flight = false;
    keyc_tell_host(keyboard);
}

void keyc_reset_host_state(struct keyc_keyboard *keyboard)
{
    keyboard->in_flight = false;
    keyboard->boot_protocol = false;
    keyboard->host_knows = false;
    keyc_clear(keyboard->sent, sizeof keyboard->sent);
}

void keyc_host_lights(struct keyc_keyboard *keyboard, uint8_t lights)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    if (!further || !further->show_lights)
        return;
    keyc_further_of(keyboard)->host_lights = lights;
    further->show_lights(keyboard);
}

void keyc_set_protocol(struct keyc_keyboard *keyboard, bool boot)
{
    if (keyboard->boot_protocol == boot)
        return;
    keyboard->boot_protocol = boot;
    keyboard->host_knows = false;
    keyc_clear(keyboard->sent, KEYC_KEYBOARD_REPORT_BYTES);
}
