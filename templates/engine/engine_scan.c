/* Start, one scan, rest. A scan drives each cathode-side line low in turn and reads the others. */
#include "engine_internal.h"

/* A port that can't deliver the last report must not keep the board from its ROM. */
#define KEYC_RESTART_AT_LATEST_US 100000u

uint32_t keyc_now_us(const struct keyc_keyboard *keyboard)
{
    return keyboard->port->port_now_us(keyboard->port->context);
}

void keyc_clear(void *block, size_t count)
{
    uint8_t *bytes = block;
    for (size_t n = 0; n < count; ++n)
        bytes[n] = 0;
}

/* Lines that aren't on the chip become bit 31. */
static uint32_t keyc_lines(const uint8_t *pins, unsigned count)
{
    uint32_t lines = 0;
    for (unsigned n = 0; n < count; ++n)
        lines |= keyc_bit(pins[n] < KEYC_LINES ? pins[n] : 31u);
    return lines;
}

bool keyc_begin(struct keyc_keyboard *keyboard, const struct keyc_tables *tables, const struct keyc_port *port)
{
    if (tables->version != KEYC_TABLES_VERSION || tables->driven_count >= KEYC_LINES || tables->layer_count == 0)
        return false;
    keyc_clear(keyboard, KEYC_KEYBOARD_BYTES(tables->switch_count));
    keyboard->tables = tables;
    if (tables->further)
        keyc_clear(keyc_further_of(keyboard), KEYC_FURTHER_BYTES(tables->layer_count));
    keyboard->port = port;
    keyboard->driven_lines = keyc_lines(tables->driven, tables->driven_count);
    keyboard->sensed_lines = keyc_lines(tables->sensed, tables->sensed_count);
    keyboard->direct_lines = keyc_lines(tables->direct, tables->direct_count);
    return (keyboard->driven_lines | keyboard->sensed_lines | keyboard->direct_lines) >> KEYC_LINES == 0;
}

/* A line that was released recovers while the next one settles: one settling time a line. Direct
 * switches read the same whatever is driven, so they are read along with the first line. */
static unsigned keyc_scan(struct keyc_keyboard *keyboard, uint32_t started_us)
{
    const struct keyc_tables *tables = keyboard->tables;
    const struct keyc_port *port = keyboard->port;
    uint32_t direct_low = 0;
    unsigned effort = 0;

    for (unsigned line = 0; line < tables->driven_count; ++line) {
        port->port_drive_low(port->context, keyc_bit(tables->driven[line]));
        port->port_settle(port->context, KEYC_SETTLE_US);
        uint32_t low = ~port->port_read_levels(port->context);
        if (line == 0)
            direct_low = low;
        if (effort < KEYC_EFFORT_OF_A_STEP)
            effort += keyc_note_levels(keyboard, line, low & keyboard->sensed_lines, started_us);
    }
    port->port_release(port->context);
    if (tables->driven_count == 0) {
        port->port_settle(port->context, KEYC_SETTLE_US);
        direct_low = ~port->port_read_levels(port->context);
    }
    return effort + keyc_note_levels(keyboard, tables->driven_count, direct_low & keyboard->direct_lines, started_us);
}

static void keyc_restart_when_told(struct keyc_keyboard *keyboard)
{
    const struct keyc_port *port = keyboard->port;
    uint32_t waited_us = keyc_now_us(keyboard) - keyboard->restart_since_us;
    if ((keyboard->host_knows && !keyboard->in_flight) || waited_us >= KEYC_RESTART_AT_LATEST_US)
        port->port_restart_to_rom(port->context);
}

/* A change's time is the start of the scan that saw it, the check's time the end of a scan: a
 * closure is told within the debounce time and one scan, and times are true to one scan; to two where
 * many switches move, since a step that only tells lies between them. Two of those never follow one another. */
void keyc_advance(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    unsigned effort = 0;
    bool scans = !keyboard->restarting && !keyboard->only_tells;
    if (scans) {
        effort = keyc_scan(keyboard, keyc_now_us(keyboard));
        effort = keyc_settle(keyboard, keyc_now_us(keyboard), effort);
        if (further)
            further->functions->after_scan(keyboard);
    }
    if (effort > KEYC_LITTLE_EFFORT)
        keyboard->only_tells = true;
    else
        keyc_tell_host(keyboard);
    keyboard->only_tells &= scans;
    if (keyboard->restarting)
        keyc_restart_when_told(keyboard);
}

static bool keyc_none(const struct keyc_keyboard *keyboard, const uint32_t *lines)
{
    uint32_t any = 0;
    for (unsigned line = 0; line <= keyboard->tables->driven_count; ++line)
        any |= lines[line];
    return any == 0;
}

/* A switch that was told but is open again is unsettled, so `told` need not be asked. */
bool keyc_at_rest(const struct keyc_keyboard *keyboard)
{
    return keyboard->event_count == 0 && !keyboard->restarting && keyc_none(keyboard, keyboard->closed) &&
           keyc_has_told(keyboard);
}

bool keyc_is_settling(const struct keyc_keyboard *keyboard)
{
    return keyboard->turning || keyboard->unfinished || !keyc_none(keyboard, keyboard->unsettled);
}
