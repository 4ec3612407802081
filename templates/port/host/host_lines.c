/* Lines that a table describes: what reads low follows from what is driven. A line that something
 * pulls low falls at once; one that is left to its pull follows it in its own time. */
#include "host.h"

/* What is tied or driven low, by copper or through a diode. */
static uint32_t keyc_host_held_low(const struct keyc_host_lines *lines)
{
    uint32_t low = lines->low_at_rest;
    for (unsigned n = 0; n < KEYC_LINES && (lines->driven >> n) != 0; ++n)
        if ((lines->driven >> n) & 1u)
            low |= lines->low_driven[n];
    return low;
}

/* What the line that is driven high pulls up with it. */
static uint32_t keyc_host_raised(const struct keyc_host_lines *lines)
{
    for (unsigned n = 0; n < KEYC_LINES && (lines->driven_high >> n) != 0; ++n)
        if ((lines->driven_high >> n) & 1u)
            return lines->raised[n];
    return 0;
}

/* `changed` have just come to the levels in `low`. */
static void keyc_host_tell_edges(struct keyc_host_lines *lines, uint32_t changed, uint64_t time_us)
{
    changed &= lines->edge_lines;
    for (unsigned n = 0; n < KEYC_LINES && (changed >> n) != 0; ++n)
        if ((changed >> n) & 1u)
            lines->edge(lines, n, ((lines->low >> n) & 1u) == 0, time_us);
}

/* Takes those that have arrived by now off `moving`. */
static void keyc_host_arrive(struct keyc_host_lines *lines)
{
    for (unsigned n = 0; n < KEYC_LINES && (lines->moving >> n) != 0; ++n) {
        uint32_t line = (uint32_t)1 << n;
        if ((lines->moving & line) != 0 && lines->arrives_ns[n] <= lines->now_us * 1000u) {
            lines->low ^= line;
            lines->moving ^= line;
            keyc_host_tell_edges(lines, line, (lines->arrives_ns[n] + 999u) / 1000u);
        }
    }
}

/* After any change of the table, the drive or the pulls. */
static void keyc_host_follow(struct keyc_host_lines *lines)
{
    uint32_t held = keyc_host_held_low(lines), raised = keyc_host_raised(lines), steady, moving, fallen;
    keyc_host_arrive(lines);
    steady = (held & ~lines->pulled_down) | (lines->low_pulled_down & lines->pulled_down);
    steady &= ~raised;
    lines->low &= ~raised; /* at once, as what is driven low falls at once */
    held &= ~raised;
    fallen = steady & held & ~lines->low;
    lines->low |= fallen;
    keyc_host_tell_edges(lines, fallen, lines->now_us);
    moving = lines->low ^ steady;
    for (unsigned n = 0; n < KEYC_LINES && (moving >> n) != 0; ++n)
        if (((moving & ~lines->moving) >> n) & 1u)
            lines->arrives_ns[n] = lines->now_us * 1000u + lines->rise_ns[n];
    lines->moving = moving;
}

void keyc_host_set_lines(struct keyc_host_lines *lines, uint32_t low_at_rest, uint32_t low_pulled_down,
                         const uint32_t *low_driven, const uint32_t *rise_ns)
{
    lines->low_at_rest = low_at_rest;
    lines->low_pulled_down = low_pulled_down;
    for (unsigned n = 0; n < KEYC_LINES; ++n) {
        lines->low_driven[n] = low_driven[n];
        lines->rise_ns[n] = rise_ns[n];
    }
    keyc_host_follow(lines);
}

void keyc_host_drive_low(void *context, uint32_t driven)
{
    struct keyc_host_lines *lines = context;
    lines->driven = driven;
    lines->driven_high = 0;
    lines->pulled_down = 0;
    keyc_host_follow(lines);
}

void keyc_host_drive_high(void *context, uint32_t line)
{
    struct keyc_host_lines *lines = context;
    lines->driven = 0;
    lines->driven_high = line;
    keyc_host_follow(lines);
}

void keyc_host_release(void *context)
{
    keyc_host_drive_low(context, 0);
}

uint32_t keyc_host_release_timed(struct keyc_host_lines *lines, uint32_t risen, uint32_t longest_us)
{
    uint64_t began_ns = lines->now_us * 1000u, last_ns = began_ns + 1u; /* 0 would be: not in time */
    uint32_t low;
    keyc_host_release(lines);
    low = risen & lines->low;
    for (unsigned n = 0; n < KEYC_LINES && (low >> n) != 0; ++n)
        if (((low & lines->moving) >> n) & 1u)
            last_ns = lines->arrives_ns[n] > last_ns ? lines->arrives_ns[n] : last_ns;
    if ((low & ~lines->moving) != 0 || last_ns > began_ns + longest_us * 1000u) {
        lines->now_us += longest_us;
        keyc_host_arrive(lines);
        return 0;
    }
    lines->now_us = (last_ns + 999u) / 1000u;
    keyc_host_arrive(lines);
    return (uint32_t)(last_ns - began_ns);
}

void keyc_host_pull_down(void *context, uint32_t pulled_down)
{
    struct keyc_host_lines *lines = context;
    lines->driven = 0;
    lines->driven_high = 0;
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
    keyc_host_arrive(lines);
    return ~lines->low;
}

uint32_t keyc_host_now_us(void *context)
{
    const struct keyc_host_lines *lines = context;
    return (uint32_t)lines->now_us;
}
