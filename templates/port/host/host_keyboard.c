/* The daily image's loop on this computer. It scans while something goes on and otherwise rests as
 * the chip does; then the clock leaps, since only a change of the table could end the rest. */
#include "host.h"

#include "engine_internal.h"

static bool keyc_host_send_report(void *context, uint8_t which, const uint8_t *bytes, uint8_t length)
{
    struct keyc_host *host = context;
    if (host->report_waits)
        return false;
    host->report_waits = true;
    host->waiting.which = which;
    host->waiting.length = length;
    for (unsigned n = 0; n < length; ++n)
        host->waiting.bytes[n] = bytes[n];
    return true;
}

static void keyc_host_set_light(void *context, uint8_t pin, bool high)
{
    struct keyc_host *host = context;
    host->lit = high ? host->lit | keyc_bit(pin) : host->lit & ~keyc_bit(pin);
}

static void keyc_host_restart_to_rom(void *context)
{
    struct keyc_host *host = context;
    host->restarted = true;
}

uint32_t keyc_host_bytes(void)
{
    return (uint32_t)sizeof(struct keyc_host);
}

uint32_t keyc_host_keyboard_bytes(const struct keyc_tables *tables)
{
    return (uint32_t)(KEYC_KEYBOARD_BYTES(tables->switch_count) +
                      (tables->further ? KEYC_FURTHER_BYTES(tables->layer_count) : 0u));
}

uint32_t keyc_host_further_tables_bytes(void)
{
    return (uint32_t)sizeof(struct keyc_further_tables);
}

uint32_t keyc_host_tables_bytes(void)
{
    return (uint32_t)sizeof(struct keyc_tables);
}

bool keyc_host_begin(struct keyc_host *host, struct keyc_keyboard *keyboard, const struct keyc_tables *tables,
                     uint64_t now_us)
{
    keyc_clear(host, sizeof *host);
    host->lines.now_us = now_us;
    host->next_frame_us = now_us + KEYC_HOST_FRAME_US;
    host->keyboard = keyboard;
    host->port.context = host;
    host->port.port_drive_low = keyc_host_drive_low;
    host->port.port_release = keyc_host_release;
    host->port.port_settle = keyc_host_settle;
    host->port.port_read_levels = keyc_host_read_levels;
    host->port.port_now_us = keyc_host_now_us;
    host->port.port_send_report = keyc_host_send_report;
    host->port.port_set_light = keyc_host_set_light;
    host->port.port_restart_to_rom = keyc_host_restart_to_rom;
    return keyc_begin(keyboard, tables, &host->port);
}

uint64_t keyc_host_clock_us(const struct keyc_host *host)
{
    return host->lines.now_us;
}

bool keyc_host_restarted(const struct keyc_host *host)
{
    return host->restarted;
}

uint32_t keyc_host_lit(const struct keyc_host *host)
{
    return host->lit;
}

static void keyc_host_take_frame(struct keyc_host *host)
{
    if (host->report_waits) {
        struct keyc_host_report *logged = &host->log[(host->log_first + host->log_count++) % KEYC_HOST_LOG];
        logged->time_us = host->next_frame_us;
        logged->which = host->waiting.which;
        logged->length = host->waiting.length;
        for (unsigned n = 0; n < sizeof logged->bytes; ++n)
            logged->bytes[n] = n < logged->length ? host->waiting.bytes[n] : 0;
        host->report_waits = false;
        keyc_report_sent(host->keyboard);
    }
    host->next_frame_us += KEYC_HOST_FRAME_US;
}

/* As the chip: every driven line low; a switch anywhere would pull a sensed or direct line down. */
static bool keyc_host_all_open(struct keyc_host *host)
{
    uint32_t sensed = host->keyboard->sensed_lines | host->keyboard->direct_lines;
    keyc_host_drive_low(host, host->keyboard->driven_lines);
    keyc_host_settle(host, KEYC_SETTLE_US);
    uint32_t levels = keyc_host_read_levels(host);
    keyc_host_release(host);
    return (levels & sensed) == sensed;
}

/* No frame before `until_us` has anything to take. */
static void keyc_host_leap(struct keyc_host *host, uint64_t until_us)
{
    if (host->lines.now_us < until_us)
        host->lines.now_us = until_us;
    if (host->next_frame_us <= host->lines.now_us) {
        uint64_t frames = (host->lines.now_us - host->next_frame_us) / KEYC_HOST_FRAME_US + 1u;
        host->next_frame_us += frames * KEYC_HOST_FRAME_US;
    }
}

static bool keyc_host_log_full(const struct keyc_host *host)
{
    return host->log_count == KEYC_HOST_LOG;
}

static void keyc_host_work(struct keyc_host *host, uint64_t until_us, bool until_told)
{
    /* A dial may have been turned since the last scan: rest says nothing of that. */
    bool look = host->keyboard->tables->further && host->keyboard->tables->further->dial_count != 0;
    while (host->lines.now_us < until_us && !host->restarted && !keyc_host_log_full(host)) {
        uint64_t next_us = host->lines.now_us + KEYC_HOST_SCAN_US;
        if (!look && keyc_at_rest(host->keyboard) && keyc_host_all_open(host)) {
            if (until_told)
                return;
            uint64_t rested_us = host->lines.now_us + KEYC_HOST_REST_US;
            keyc_host_leap(host, rested_us < until_us ? rested_us : until_us);
            look = true;
            continue;
        }
        look = false;
        keyc_advance(host->keyboard);
        if (host->lines.now_us < next_us)
            host->lines.now_us = next_us;
        while (host->next_frame_us <= host->lines.now_us && !keyc_host_log_full(host))
            keyc_host_take_frame(host);
        if (until_told && keyc_has_told(host->keyboard))
            return;
    }
}

/* Many steps in no time. */
static void keyc_host_tell_all(struct keyc_host *host)
{
    do
        keyc_tell_host(host->keyboard);
    while (host->keyboard->unfinished && !host->keyboard->in_flight);
}

bool keyc_host_tell(struct keyc_host *host, uint8_t switch_number, bool pressed)
{
    if (keyc_put_event(host->keyboard, switch_number, pressed, (uint32_t)host->lines.now_us)) {
        keyc_host_tell_all(host);
        return true;
    }
    keyc_host_tell_all(host); /* a full queue decides */
    return keyc_put_event(host->keyboard, switch_number, pressed, (uint32_t)host->lines.now_us);
}

void keyc_host_run_without_board(struct keyc_host *host, uint64_t until_us)
{
    while (host->next_frame_us <= until_us && !host->restarted && !keyc_host_log_full(host)) {
        host->lines.now_us = host->next_frame_us;
        keyc_host_tell_all(host);
        keyc_host_take_frame(host);
    }
    if (host->next_frame_us > until_us) {
        host->lines.now_us = until_us;
        keyc_host_tell_all(host);
    }
}

void keyc_host_run(struct keyc_host *host, uint64_t until_us)
{
    keyc_host_work(host, until_us, false);
}

void keyc_host_run_until_told(struct keyc_host *host, uint64_t until_us)
{
    keyc_host_work(host, until_us, true);
}

bool keyc_host_take_report(struct keyc_host *host, struct keyc_host_report *report)
{
    if (host->log_count == 0)
        return false;
    const struct keyc_host_report *logged = &host->log[host->log_first];
    report->time_us = logged->time_us;
    report->which = logged->which;
    report->length = logged->length;
    for (unsigned n = 0; n < sizeof report->bytes; ++n)
        report->bytes[n] = logged->bytes[n];
    host->log_first = (host->log_first + 1u) % KEYC_HOST_LOG;
    --host->log_count;
    return true;
}
