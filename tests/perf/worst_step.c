/* A port that costs next to nothing, so that what is counted is the engine: levels from a table, reports
 * to nowhere. For `worst_step.py`, which runs this on the emulated core and writes `keyc_step`. */
#include "keyc_engine.h"

struct keyc_step {
    uint32_t now_us, row, low_at_rest, low[KEYC_LINES];
};

struct keyc_step_parts {
    void (*advance)(struct keyc_keyboard *keyboard);
    void (*report_sent)(struct keyc_keyboard *keyboard);
    struct keyc_keyboard *keyboard;
    volatile struct keyc_step *step;
};

const struct keyc_step_parts *keyc_step_begin(void);

static volatile struct keyc_step keyc_step;
static struct keyc_step_parts keyc_step_parts;

static void keyc_step_drive_low(void *context, uint32_t lines)
{
    (void)context;
    (void)lines;
    ++keyc_step.row;
}

static void keyc_step_release(void *context)
{
    (void)context;
    keyc_step.row = 0;
}

static void keyc_step_settle(void *context, uint32_t settle_us)
{
    (void)context;
    (void)settle_us;
}

static uint32_t keyc_step_levels(void *context)
{
    (void)context;
    return ~(keyc_step.row ? keyc_step.low[keyc_step.row - 1u] | keyc_step.low_at_rest : keyc_step.low_at_rest);
}

static uint32_t keyc_step_now_us(void *context)
{
    (void)context;
    return keyc_step.now_us;
}

static bool keyc_step_send_report(void *context, uint8_t which, const uint8_t *bytes, uint8_t length)
{
    (void)context;
    (void)which;
    (void)bytes;
    (void)length;
    return true;
}

static void keyc_step_set_light(void *context, uint8_t pin, bool high)
{
    (void)context;
    (void)pin;
    (void)high;
}

static const struct keyc_port keyc_step_port = {
    .port_drive_low = keyc_step_drive_low,
    .port_release = keyc_step_release,
    .port_settle = keyc_step_settle,
    .port_read_levels = keyc_step_levels,
    .port_now_us = keyc_step_now_us,
    .port_send_report = keyc_step_send_report,
    .port_set_light = keyc_step_set_light,
    .port_restart_to_rom = keyc_step_release,
};

const struct keyc_step_parts *keyc_step_begin(void)
{
    (void)keyc_begin(keyc_keyboard_memory, &keyc_keyboard_tables, &keyc_step_port);
    keyc_step_parts.advance = keyc_advance;
    keyc_step_parts.report_sent = keyc_report_sent;
    keyc_step_parts.keyboard = keyc_keyboard_memory;
    keyc_step_parts.step = &keyc_step;
    return &keyc_step_parts;
}
