/* The trial image's loop on this computer: the keyboard's, scan by scan, and after each one the console. */
#include "host_trial.h"

static uint32_t keyc_host_trial_console_read(void *context, uint8_t *bytes, uint32_t room)
{
    struct keyc_host_trial *host = context;
    return keyc_host_get(&host->to_board, bytes, room);
}

static uint32_t keyc_host_trial_console_write(void *context, const uint8_t *bytes, uint32_t count)
{
    struct keyc_host_trial *host = context;
    return keyc_host_put(&host->from_board, bytes, count);
}

static bool keyc_host_trial_console_empty(void *context)
{
    const struct keyc_host_trial *host = context;
    return host->arrived == host->from_board.given;
}

uint32_t keyc_host_trial_bytes(void)
{
    return (uint32_t)sizeof(struct keyc_host_trial);
}

bool keyc_host_trial_begin(struct keyc_host_trial *host, struct keyc_keyboard *keyboard,
                           const struct keyc_tables *tables, const struct keyc_bench_identity *identity,
                           uint64_t now_us)
{
    uint8_t *bytes = (uint8_t *)host;
    for (uint32_t n = 0; n < sizeof *host; ++n)
        bytes[n] = 0;
    if (!keyc_host_begin(&host->keys, keyboard, tables, now_us))
        return false;
    host->identity = *identity;
    host->port.lines = host->keys.port;
    host->port.lines.context = host; /* whose first member is what the keyboard's functions expect */
    host->port.port_console_read = keyc_host_trial_console_read;
    host->port.port_console_write = keyc_host_trial_console_write;
    host->port.port_console_empty = keyc_host_trial_console_empty;
    keyc_trial_begin(&host->trial, &host->identity, &host->port);
    return true;
}

uint32_t keyc_host_trial_send(struct keyc_host_trial *host, const uint8_t *bytes, uint32_t count)
{
    return keyc_host_put(&host->to_board, bytes, count);
}

uint32_t keyc_host_trial_receive(struct keyc_host_trial *host, uint8_t *bytes, uint32_t room)
{
    uint32_t ready = host->arrived - host->from_board.taken;
    return keyc_host_get(&host->from_board, bytes, room < ready ? room : ready);
}

void keyc_host_trial_run(struct keyc_host_trial *host, uint64_t until_us)
{
    struct keyc_host *keys = &host->keys;
    host->noted = 0;
    while (keys->lines.now_us < until_us && !keys->restarted && keys->log_count < KEYC_HOST_LOG) {
        uint64_t next_us = keys->lines.now_us + KEYC_HOST_SCAN_US, frame_us = keys->next_frame_us;
        keyc_host_run(keys, next_us < until_us ? next_us : until_us);
        if (frame_us != keys->next_frame_us)
            host->arrived = host->from_board.given; /* once a millisecond the computer fetches what is there */
        while (host->noted < keys->log_count) {
            const struct keyc_host_report *report = &keys->log[(keys->log_first + host->noted++) % KEYC_HOST_LOG];
            keyc_trial_note_report(&host->trial, report->which, report->bytes, report->length);
        }
        (void)keyc_trial_advance(&host->trial, keys->keyboard);
    }
}
