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

static void keyc_clear(uint8_t *bytes, unsigned count)
{
    for (unsigned n = 0; n < count; ++n)
        bytes[n] = 0;
}

static void keyc_write_keyboard(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    uint8_t *keys = bytes + 2;
    uint8_t *bitmap = bytes + KEYC_FIRST_BITMAP_BYTE;
    unsigned count = 0;
    keyc_clear(bytes, KEYC_KEYBOARD_REPORT_BYTES);
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        const struct keyc_slot *slot = &keyboard->slots[n];
        struct keyc_usage usage = keyc_usage_of(keyboard->tables, slot->held_cell);
        if (!slot->modifiers_lifted)
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
    /* HID 1.11 appendix C: more keys than there is room for, so all six say so; modifiers stay true */
    for (unsigned n = 0; count > KEYC_BOOT_KEYS && n < KEYC_BOOT_KEYS; ++n)
        keys[n] = KEYC_ERROR_ROLL_OVER;
}

/* The latest two: a new press must do something. */
static void keyc_write_consumer(const struct keyc_keyboard *keyboard, uint8_t *bytes)
{
    uint16_t latest = 0, before = 0;
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        struct keyc_usage usage = keyc_usage_of(keyboard->tables, keyboard->slots[n].held_cell);
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
        struct keyc_usage usage = keyc_usage_of(keyboard->tables, keyboard->slots[n].held_cell);
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

static const uint8_t *keyc_sent_report(const struct keyc_keyboard *keyboard, uint8_t which)
{
    if (which == KEYC_REPORT_KEYBOARD)
        return keyboard->sent_keyboard;
    return which == KEYC_REPORT_CONSUMER ? keyboard->sent_consumer : keyboard->sent_system;
}

/* Writes the report and returns its length if the host doesn't have it yet, else returns 0. */
static uint8_t keyc_news(const struct keyc_keyboard *keyboard, uint8_t which, uint8_t *bytes)
{
    uint8_t length = keyc_current_report(keyboard, which, bytes);
    const uint8_t *sent = keyc_sent_report(keyboard, which);
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

bool keyc_host_knows(const struct keyc_keyboard *keyboard)
{
    uint8_t bytes[KEYC_KEYBOARD_REPORT_BYTES];
    uint8_t which;
    return !keyboard->in_flight && keyc_next_report(keyboard, bytes, &which) == 0;
}

static void keyc_take_event(struct keyc_keyboard *keyboard)
{
    struct keyc_event event = keyboard->events[keyboard->first_event];
    keyboard->first_event = (uint8_t)((keyboard->first_event + 1u) % KEYC_EVENTS);
    --keyboard->event_count;
    keyboard->keyboard_last = !event.pressed;
    if (event.pressed)
        keyc_press(keyboard, event.switch_number);
    else
        keyc_release(keyboard, event.switch_number);
}

void keyc_tell_host(struct keyc_keyboard *keyboard)
{
    const struct keyc_port *port = keyboard->port;
    uint8_t bytes[KEYC_KEYBOARD_REPORT_BYTES];
    uint8_t which;

    while (!keyboard->in_flight) {
        uint8_t length = keyc_next_report(keyboard, bytes, &which);
        if (length == 0) {
            if (keyboard->event_count == 0)
                return;
            keyc_take_event(keyboard);
            continue;
        }
        if (!port->port_send_report(port->context, which, bytes, length))
            return;
        keyboard->in_flight = true;
        uint8_t *sent = which == KEYC_REPORT_KEYBOARD   ? keyboard->sent_keyboard
                        : which == KEYC_REPORT_CONSUMER ? keyboard->sent_consumer
                                                        : keyboard->sent_system;
        for (unsigned n = 0; n < length; ++n)
            sent[n] = bytes[n];
    }
}

void keyc_report_sent(struct keyc_keyboard *keyboard)
{
    keyboard->in_flight = false;
    keyc_tell_host(keyboard);
}

static void keyc_forget_sent(struct keyc_keyboard *keyboard)
{
    keyc_clear(keyboard->sent_keyboard, KEYC_KEYBOARD_REPORT_BYTES);
    keyc_clear(keyboard->sent_consumer, KEYC_CONSUMER_REPORT_BYTES);
    keyc_clear(keyboard->sent_system, KEYC_SYSTEM_REPORT_BYTES);
}

void keyc_reset_host_state(struct keyc_keyboard *keyboard)
{
    keyboard->in_flight = false;
    keyboard->boot_protocol = false;
    keyc_forget_sent(keyboard);
}

void keyc_set_protocol(struct keyc_keyboard *keyboard, bool boot)
{
    if (keyboard->boot_protocol == boot)
        return;
    keyboard->boot_protocol = boot;
    keyc_clear(keyboard->sent_keyboard, KEYC_KEYBOARD_REPORT_BYTES);
}
