/* The bench image's loop on this computer. */
#include "host_bench.h"

uint32_t keyc_host_put(struct keyc_host_queue *queue, const uint8_t *bytes, uint32_t count)
{
    uint32_t put = 0;
    while (put < count && queue->given - queue->taken < KEYC_HOST_CONSOLE_BYTES)
        queue->bytes[queue->given++ % KEYC_HOST_CONSOLE_BYTES] = bytes[put++];
    return put;
}

uint32_t keyc_host_get(struct keyc_host_queue *queue, uint8_t *bytes, uint32_t count)
{
    uint32_t got = 0;
    while (got < count && queue->taken != queue->given)
        bytes[got++] = queue->bytes[queue->taken++ % KEYC_HOST_CONSOLE_BYTES];
    return got;
}

/* Counts the drive that ends here. */
static void keyc_host_bench_count(struct keyc_host_bench *host)
{
    uint64_t took_us = host->lines.now_us - host->drive_began_us;
    for (unsigned n = 0; n < KEYC_BENCH_PINS && ((host->lines.driven | host->lines.driven_high) >> n) != 0; ++n) {
        if ((host->lines.driven >> n) & 1u)
            host->driven_us[n] += took_us;
        if ((host->lines.driven_high >> n) & 1u)
            host->driven_high_us[n] += took_us;
    }
    host->drive_began_us = host->lines.now_us;
}

static void keyc_host_bench_drive_low(void *context, uint32_t driven)
{
    struct keyc_host_bench *host = context;
    keyc_host_bench_count(host);
    if ((driven & host->resets) != 0)
        host->has_reset = true;
    keyc_host_drive_low(&host->lines, driven);
}

static void keyc_host_bench_drive_high(void *context, uint32_t line)
{
    struct keyc_host_bench *host = context;
    keyc_host_bench_count(host);
    keyc_host_drive_high(&host->lines, line);
}

static void keyc_host_bench_edge(struct keyc_host_lines *lines, unsigned line, bool high, uint64_t time_us)
{
    struct keyc_host_bench *host = (struct keyc_host_bench *)lines;
    keyc_bench_note_edge(&host->bench, line, high, (uint32_t)time_us);
    host->wanted_us = 0; /* an interrupt wakes it */
}

static void keyc_host_bench_release(void *context)
{
    struct keyc_host_bench *host = context;
    keyc_host_bench_count(host);
    host->lines.edge_lines = 0;
    keyc_host_release(&host->lines);
}

static uint32_t keyc_host_bench_release_timed(void *context, uint32_t risen)
{
    struct keyc_host_bench *host = context;
    keyc_host_bench_count(host);
    host->lines.edge_lines = 0;
    uint32_t took_ns = keyc_host_release_timed(&host->lines, risen, KEYC_BENCH_TIMED_US);
    host->drive_began_us = host->lines.now_us;
    return took_ns;
}

static void keyc_host_bench_hold_low(void *context, uint32_t driven, uint32_t watched)
{
    struct keyc_host_bench *host = context;
    keyc_host_bench_drive_low(context, driven);
    host->lines.edge_lines = watched;
}

static uint32_t keyc_host_console_read(void *context, uint8_t *bytes, uint32_t room)
{
    struct keyc_host_bench *host = context;
    return keyc_host_get(&host->to_board, bytes, room);
}

static uint32_t keyc_host_console_write(void *context, const uint8_t *bytes, uint32_t count)
{
    struct keyc_host_bench *host = context;
    return host->has_reset ? 0 : keyc_host_put(&host->from_board, bytes, count);
}

static bool keyc_host_console_empty(void *context)
{
    const struct keyc_host_bench *host = context;
    return host->arrived == host->from_board.given;
}

static void keyc_host_bench_restart(void *context)
{
    struct keyc_host_bench *host = context;
    host->has_restarted = true;
}

uint32_t keyc_host_bench_size(void)
{
    return (uint32_t)sizeof(struct keyc_host_bench);
}

void keyc_host_bench_begin(struct keyc_host_bench *host, const struct keyc_bench_identity *identity,
                           uint64_t now_us)
{
    uint8_t *bytes = (uint8_t *)host;
    for (uint32_t n = 0; n < sizeof *host; ++n)
        bytes[n] = 0;
    host->identity = *identity;
    host->lines.now_us = now_us;
    host->next_frame_us = now_us + KEYC_HOST_FRAME_US;
    host->port.lines.context = host;
    host->port.lines.port_drive_low = keyc_host_bench_drive_low;
    host->port.lines.port_release = keyc_host_bench_release;
    host->port.lines.port_settle = keyc_host_settle;
    host->port.lines.port_read_levels = keyc_host_read_levels;
    host->port.lines.port_now_us = keyc_host_now_us;
    host->port.lines.port_restart_to_rom = keyc_host_bench_restart;
    host->port.port_release_timed = keyc_host_bench_release_timed;
    host->port.port_pull_down = keyc_host_pull_down;
    host->port.port_hold_low = keyc_host_bench_hold_low;
    host->port.port_drive_high = keyc_host_bench_drive_high;
    host->lines.edge = keyc_host_bench_edge;
    host->port.port_console_read = keyc_host_console_read;
    host->port.port_console_write = keyc_host_console_write;
    host->port.port_console_empty = keyc_host_console_empty;
    keyc_bench_begin(&host->bench, &host->identity, &host->port);
}

void keyc_host_bench_set_resets(struct keyc_host_bench *host, uint32_t resets)
{
    host->resets = resets;
}

void keyc_host_bench_set_raises(struct keyc_host_bench *host, const uint32_t *raised)
{
    for (unsigned n = 0; n < KEYC_BENCH_PINS; ++n)
        host->lines.raised[n] = raised[n];
}

uint32_t keyc_host_bench_send(struct keyc_host_bench *host, const uint8_t *bytes, uint32_t count)
{
    uint32_t put = keyc_host_put(&host->to_board, bytes, count);
    if (put != 0)
        host->wanted_us = 0; /* what comes in wakes it */
    return put;
}

uint32_t keyc_host_bench_receive(struct keyc_host_bench *host, uint8_t *bytes, uint32_t room)
{
    uint32_t ready = host->arrived - host->from_board.taken;
    return keyc_host_get(&host->from_board, bytes, room < ready ? room : ready);
}

/* Once a millisecond the computer fetches what has been written. */
static void keyc_host_bench_frames(struct keyc_host_bench *host)
{
    while (host->next_frame_us <= host->lines.now_us) {
        host->next_frame_us += KEYC_HOST_FRAME_US;
        if (!keyc_host_console_empty(host)) {
            host->arrived = host->from_board.given;
            host->wanted_us = 0;
        }
    }
}

/* Moves the clock on to when something may happen. */
static void keyc_host_bench_sleep(struct keyc_host_bench *host, uint64_t until_us)
{
    uint64_t wake_us = host->wanted_us < until_us ? host->wanted_us : until_us;
    if (!keyc_host_console_empty(host) && host->next_frame_us < wake_us)
        wake_us = host->next_frame_us;
    if (host->lines.now_us < wake_us)
        host->lines.now_us = wake_us;
}

void keyc_host_bench_run(struct keyc_host_bench *host, uint64_t until_us)
{
    while (host->lines.now_us < until_us && !keyc_host_bench_is_gone(host)) {
        if (host->wanted_us <= host->lines.now_us) {
            uint64_t began_us = host->lines.now_us;
            uint32_t wait_us = keyc_bench_advance(&host->bench);
            if (wait_us == 0 && host->lines.now_us == began_us)
                host->lines.now_us += KEYC_HOST_STEP_US;
            host->wanted_us = host->lines.now_us + wait_us;
        }
        keyc_host_bench_sleep(host, until_us);
        keyc_host_bench_frames(host);
    }
}

void keyc_host_bench_driven_us(const struct keyc_host_bench *host, uint64_t *low_us, uint64_t *high_us)
{
    for (unsigned n = 0; n < KEYC_BENCH_PINS; ++n) {
        low_us[n] = host->driven_us[n];
        high_us[n] = host->driven_high_us[n];
    }
}

uint64_t keyc_host_bench_clock_us(const struct keyc_host_bench *host)
{
    return host->lines.now_us;
}

bool keyc_host_bench_is_gone(const struct keyc_host_bench *host)
{
    return host->has_reset || host->has_restarted;
}
