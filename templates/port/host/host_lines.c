/* Lines that a table describes: what reads low follows from what is driven, and a line that is let
 * go rises in its own time. */
#include "host.h"

static uint32_t keyc_host_steady_low(const struct keyc_host_lines *lines)
{
    uint32_t low = (lines->low_at_rest & ~lines->pulled_down) | (lines->low_pulled_down & lines->pulled_down);
    for (unsigned n = 0; n < KEYC_LINES && (lines->driven >> n) != 0; ++n)
        if ((lines->driven >> n) & 1u)
            low |= lines->low_driven[n];
    return low;
}

/* Takes those off `rising` that have risen by now. */
static void keyc_host_rise(struct keyc_host_lines *lines)
{
    for (unsigned n = 0; n < KEYC_LINES && (lines->rising >> n) != 0; ++n)
        if (lines->high_from_us[n] <= lines->now_us)
            lines->rising &= ~((uint32_t)1 << n);
}

/* After any change of the table, the drive or the pulls. */
static void keyc_host_follow(struct keyc_host_lines *lines)
{
    uint32_t low_before = lines->low;
    keyc_host_rise(lines);
    lines->low = keyc_host_steady_low(lines);
    uint32_t let_go = low_before & ~lines->low;
    for (unsigned n = 0; n < KEYC_LINES && (let_go >> n) != 0; ++n)
        if ((let_go >> n) & 1u)
            lines->high_from_us[n] = lines->now_us + lines->rise_us[n];
    lines->rising = (lines->rising | let_go) & ~lines->low;
}

void keyc_host_set_lines(struct keyc_host_lines *lines, uint32_t low_at_rest, uint32_t low_pulled_down,
                         const uint32_t *low_driven, const uint32_t *rise_us)
{
    lines->low_at_rest = low_at_rest;
    lines->low_pulled_down = low_pulled_down;
    for (unsigned n = 0; n < KEYC_LINES; ++n) {
        lines->low_driven[n] = low_driven[n];
        lines->rise_us[n] = rise_us[n];
    }
    keyc_host_follow(lines);
}

void keyc_host_drive_low(void *context, uint32_t driven)
{
    struct keyc_host_lines *lines = context;
    lines->driven = driven;
    lines->pulled_down = 0;
    keyc_host_follow(lines);
}

void keyc_host_release(void *context)
{
    keyc_host_drive_low(context, 0);
}

void keyc_host_pull_down(void *context, uint32_t pulled_down)
{
    struct keyc_host_lines *lines = context;
    lines->driven = 0;
    lines->pulled_down = pulled_down;
    keyc_host_follow(lines);
}

void keyc_host_settle(void *context, uint32_t settle_us)
{
    struct keyc_host_lines *lines = context;
    lines->now_us += settle_us > 0 ? settle_us : 1; /* time passes even while nobody waits */
}

uint32_t keyc_host_read_levels(void *context)
{
    struct keyc_host_lines *lines = context;
    keyc_host_rise(lines);
    return ~(lines->low | lines->rising);
}

uint32_t keyc_host_now_us(void *context)
{
    const struct keyc_host_lines *lines = context;
    return (uint32_t)lines->now_us;
}
