/* What the host sees. One event at a time: the next one waits until the host has taken every report
 * of the one before, so that no tap is too fast for it and no order is lost. */
#include "engine_internal.h"

#define KEYC_BOOT_KEYS 6u
#define KEYC_FIRST_BITMAP_BYTE 8u
#define KEYC_FIRST_KEY_USAGE 0x04u /* below it are error codes: USB HID Usage Tables, keyboard page */
#define KEYC_ERROR_ROLL_OVER 0x01u

_Static_assert(KEYC_FIRST_BITMAP_BYTE + KEYC_FIRST_MODIFIER / 8u == KEYC_KEYBOARD_REPORT_BYTES,
               "the bitmap reaches to the modifiers");
_Static_assert(KEYC_KEYBOARD_REPORT_BYTES <= 64u, "a full-speed interrupt packet holds 64 bytes");

/* What the host sees of a held press. The last one shows nothing while it is only coming; and if its
 * usage is down by another press already, that one lets it go, so that it can go down again. */
static struct keyc_usage keyc_shown(const struct keyc_keyboard *keyboard, unsigned n)
{
    const struct keyc_slot *slots = keyboard->slots;
    unsigned last = keyboard->held_count - 1u;
    struct keyc_usage usage = keyc_usage_of(keyboard->tables, slots[n].held_cell);
    if (keyboard->coming) {
        struct keyc_usage next = keyc_usage_of(keyboard->tables, slots[last].held_cell);
        if (n == last || (next.page == usage.page && next.id == usage.id && !keyc_is_modifier(usage)))
            usage.page = usage.modifiers = 0;
    }
    if (slots[n].held_by & KEYC_BY_LIFTED)
        usage.modifiers = 0;
    return usage;
}

static void keyc_write_keyboard(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    uint8_t *keys = bytes + 2;
    uint8_t *bitmap = bytes + KEYC_FIRST_BITMAP_BYTE;
    unsigned count = 0;
    const struct keyc_further_tables *further = keyboard->tables->further;
    keyc_clear(bytes, KEYC_KEYBOARD_REPORT_BYTES);
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        struct keyc_usage usage = keyc_shown(keyboard, n);
        bytes[0] |= usage.modifiers;
        if (keyc_is_modifier(usage)) {
            bytes[0] |= (uint8_t)keyc_bit(usage.id - KEYC_FIRST_MODIFIER);
            continue;
        }
        if (usage.page != KEYC_PAGE_KEYBOARD || usage.id < KEYC_FIRST_KEY_USAGE || usage.id >= KEYC_FIRST_MODIFIER)
            continue;
        uint8_t bit = (uint8_t)keyc_bit(usage.id % 8u);
        if (bitmap[usage.id / 8u] & bit)
            continue; /* another switch holds it too */
        bitmap[usage.id / 8u] |= bit;
        if (count < KEYC_BOOT_KEYS)
            keys[count] = (uint8_t)usage.id;
        ++count;
    }
    if (further && !keyboard->restarting)
        further->functions->amend_keyboard(keyboard, bytes);
    /* HID 1.11 appendix C: more keys than there is room for, so all six say so; modifiers stay true */
    for (unsigned n = 0; count > KEYC_BOOT_KEYS && n < KEYC_BOOT_KEYS; ++n)
        keys[n] = KEYC_ERROR_ROLL_OVER;
}

/* The latest two: a new press must do something. */
static void keyc_write_consumer(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    uint16_t latest = 0, before = 0;
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        struct keyc_usage usage = keyc_shown(keyboard, n);
        if (usage.page != KEYC_PAGE_CONSUMER || usage.id == latest)
            continue;
        before = latest;
        latest = usage.id;
    }
    bytes[0] = (uint8_t)(latest & 0xFFu);
    bytes[1] = (uint8_t)(latest >> 8);
    bytes[2] = (uint8_t)(before & 0xFFu);
    bytes[3] = (uint8_t)(before >> 8);
}

static void keyc_write_system(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    bytes[0] = 0;
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        struct keyc_usage usage = keyc_shown(keyboard, n);
        if (usage.page == KEYC_PAGE_DESKTOP)
            bytes[0] = (uint8_t)usage.id;
    }
}

uint8_t keyc_current_report(const struct keyc_keyboard *keyboard, uint8_t which, uint8_t *bytes)
{
    if (which == KEYC_REPORT_KEYBOARD) {
        keyc_write_keyboard(keyboard, bytes);
        return keyboard->boot_protocol ? KEYC_BOOT_REPORT_BYTES : KEYC_KEYBOARD_REPORT_BYTES;
    }
    if (!keyboard->tables->uses_second_interface)
        return 0;
    if (which == KEYC_REPORT_CONSUMER) {
        keyc_write_consumer(keyboard, bytes);
        return KEYC_CONSUMER_REPORT_BYTES;
    }
    if (which == KEYC_REPORT_SYSTEM) {
        keyc_write_system(keyboard, bytes);
        return KEYC_SYSTEM_REPORT_BYTES;
    }
    return 0;
}

/* Where each report lies in `sent`. */
static const uint8_t keyc_sent_at[] = {0, KEYC_KEYBOARD_REPORT_BYTES,
                                       KEYC_KEYBOARD_REPORT_BYTES + KEYC_CONSUMER_REPORT_BYTES};

/* Writes the report and returns its length if the host doesn't have it yet, else returns 0. */
static uint8_t keyc_news(const struct keyc_keyboard *keyboard, uint8_t which, uint8_t *bytes)
{
    uint8_t length = keyc_current_report(keyboard, which, bytes);
    const uint8_t *sent = keyboard->sent + keyc_sent_at[which];
    for (unsigned n = 0; n < length; ++n)
        if (bytes[n] != sent[n])
            return length;
    return 0;
}

/* Control+AudioVolumeUp needs two reports: Control goes first, and comes off last. */
static uint8_t keyc_next_report(const struct keyc_keyboard *keyboard, uint8_t *bytes, uint8_t *which)
{
    for (unsigned n = KEYC_REPORT_KEYBOARD; n <= KEYC_REPORT_SYSTEM; ++n) {
        *which = (uint8_t)(keyboard->keyboard_last ? KEYC_REPORT_SYSTEM - n : n);
        uint8_t length = keyc_news(keyboard, *which, bytes);
        if (length != 0)
            return length;
    }
    return 0;
}

/* Hands the port the next report. False: it takes none now, or there is none. */
static bool keyc_send_next(struct keyc_keyboard *keyboard)
{
    const struct keyc_port *port = keyboard->port;
    uint8_t bytes[KEYC_KEYBOARD_REPORT_BYTES];
    uint8_t which;
    uint8_t length = keyc_next_report(keyboard, bytes, &which);
    keyboard->host_knows = length == 0;
    if (length == 0 || !port->port_send_report(port->context, which, bytes, length))
        return false;
    keyboard->in_flight = true;
    for (unsigned n = 0; n < length; ++n)
        keyboard->sent[keyc_sent_at[which] + n] = bytes[n];
    return true;
}

/* One change at a time: the next one waits until the host has taken every report of the one before.
 * The strokes of a sequence go before events. */
void keyc_tell_host(struct keyc_keyboard *keyboard)
{
    while (!keyboard->in_flight) {
        if (!keyboard->host_knows) {
            if (!keyc_send_next(keyboard) && !keyboard->host_knows)
                return;
        } else if (keyboard->coming) {
            keyc_act(keyboard);
        } else if (keyboard->typing) {
            if (!keyboard->tables->further->functions->type_next_stroke(keyboard))
                return;
        } else if (keyboard->event_count == 0 || !keyc_take_event(keyboard)) {
            return;
        }
    }
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

void keyc_set_protocol(struct keyc_keyboard *keyboard, bool boot)
{
    if (keyboard->boot_protocol == boot)
        return;
    keyboard->boot_protocol = boot;
    keyboard->host_knows = false;
    keyc_clear(keyboard->sent, KEYC_KEYBOARD_REPORT_BYTES);
}
