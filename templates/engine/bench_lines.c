/* The lines: what reads low while nothing, or one line, is driven low. */
#include "bench_internal.h"

static uint32_t levels(const struct keyc_bench *bench)
{
    const struct keyc_port *lines = &bench->port->lines;
    return lines->port_read_levels(lines->context);
}

static void settle(const struct keyc_bench *bench, uint32_t settle_us)
{
    const struct keyc_port *lines = &bench->port->lines;
    lines->port_settle(lines->context, settle_us);
}

static void release(const struct keyc_bench *bench)
{
    const struct keyc_port *lines = &bench->port->lines;
    lines->port_release(lines->context);
}

/* Waits until these lines read high, at most `longest_us`. Returns how long that took, and keeps
 * those that are still low. */
static uint32_t wait_for_rise(struct keyc_bench *bench, uint32_t lines, uint32_t longest_us)
{
    const struct keyc_port *port = &bench->port->lines;
    uint32_t began_us = port->port_now_us(port->context), took_us = 0, low;
    for (;;) {
        low = lines & ~port->port_read_levels(port->context);
        if (low == 0 || took_us >= longest_us) {
            break;
        }
        port->port_settle(port->context, 0);
        took_us = port->port_now_us(port->context) - began_us;
    }
    bench->still_low = low;
    return took_us;
}

/* The beginning of a drive, which lasts until the lines are let go: no longer than it takes to settle and
 * read. Returns the levels read meanwhile. A line that is still low at the next drive would show as a false
 * low: the caller waits for the rise. */
static inline uint32_t drive_and_read(const struct keyc_bench *bench, uint32_t driven)
{
    const struct keyc_port *lines = &bench->port->lines;
    lines->port_drive_low(lines->context, driven);
    lines->port_settle(lines->context, KEYC_BENCH_SETTLE_US);
    return lines->port_read_levels(lines->context);
}

static inline uint32_t drive(const struct keyc_bench *bench, uint32_t driven)
{
    uint32_t read = drive_and_read(bench, driven);
    release(bench);
    return read;
}

/* Nothing driven: which lines a supply holds high, so that they are never driven. A slow line takes its
 * time to fall, too, and must not be taken for one of them. */
void keyc_bench_pull_down(struct keyc_bench *bench, uint32_t lines)
{
    const struct keyc_bench_port *port = bench->port;
    port->port_pull_down(port->lines.context, lines);
    for (unsigned wait = 0; wait < 10u; wait++) {
        settle(bench, KEYC_BENCH_RECOVERY_US);
        bench->held_high = lines & levels(bench);
        if (bench->held_high == 0) {
            break;
        }
    }
    bench->low_down = lines & ~bench->held_high;
    release(bench);
    (void)wait_for_rise(bench, lines, 10u * KEYC_BENCH_RECOVERY_US);
}

/* Only to see that the chip survives it. */
void keyc_bench_first_drive(struct keyc_bench *bench, unsigned pin)
{
    (void)drive(bench, keyc_bench_bit(pin));
    (void)wait_for_rise(bench, 0, 0);
    bench->driven_before |= keyc_bench_bit(pin);
}

void keyc_bench_scan(struct keyc_bench *bench, uint32_t lines, struct keyc_bench_table *table)
{
    uint32_t drivable = lines & ~bench->held_high, high_at_rest;
    if (bench->still_low != 0) {
        (void)wait_for_rise(bench, bench->still_low, 10u * KEYC_BENCH_RECOVERY_US);
    }
    release(bench);
    settle(bench, KEYC_BENCH_SETTLE_US);
    table->low_up = lines & ~levels(bench);
    table->held_against = 0;
    table->not_recovered = 0;
    high_at_rest = lines & ~table->low_up;
    for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
        uint32_t bit = keyc_bench_bit(pin), rise_ns, further_us, read;
        table->low_driven[pin] = 0;
        if ((drivable & bit) == 0) {
            continue;
        }
        if (bench->still_low != 0) {
            (void)wait_for_rise(bench, high_at_rest, KEYC_BENCH_RECOVERY_US);
            if (bench->still_low != 0) {
                table->not_recovered |= bit;
                continue;
            }
        }
        read = drive_and_read(bench, bit);
        rise_ns = bench->port->port_release_timed(bench->port->lines.context, high_at_rest);
        if ((read & bit) != 0) {
            table->held_against |= bit;
        } else {
            table->low_driven[pin] = lines & ~read & ~bit;
        }
        bench->still_low = 0;
        if (rise_ns == 0) {
            further_us = wait_for_rise(bench, high_at_rest, KEYC_BENCH_RECOVERY_US - KEYC_BENCH_TIMED_US);
            rise_ns = (KEYC_BENCH_TIMED_US + further_us) * 1000u;
        }
        bench->rise_ns[pin] = rise_ns;
        if (bench->still_low != 0) {
            table->not_recovered |= bit;
            table->held_against &= ~bit;
            table->low_driven[pin] = 0;
        }
    }
}

bool keyc_bench_same(const struct keyc_bench_table *one, const struct keyc_bench_table *other)
{
    uint32_t differences = (one->low_up ^ other->low_up) | (one->held_against ^ other->held_against) |
                           (one->not_recovered ^ other->not_recovered);
    for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
        differences |= one->low_driven[pin] ^ other->low_driven[pin];
    }
    return differences == 0;
}

static void add_poll(struct keyc_bench *bench, uint32_t group)
{
    group &= bench->watched & ~bench->held_high;
    if (group != 0) {
        bench->poll_groups[bench->poll_count++] = group;
    }
}

/* Both polarities of every contact are seen if its two lines are once in different groups, each way
 * round. Two for each bit of a pin number do that for any two pins, since those differ in at least one.
 * Where the image knows its rows and columns, two drives show every switch that is where it should be:
 * they come every time, and the others take turns. */
void keyc_bench_plan_polls(struct keyc_bench *bench)
{
    const struct keyc_bench_identity *identity = bench->identity;
    bench->poll_count = 0;
    add_poll(bench, identity->cathode_lines);
    add_poll(bench, identity->anode_lines);
    bench->poll_always = bench->poll_next = bench->poll_count;
    for (unsigned number_bit = 1; number_bit < KEYC_BENCH_PINS; number_bit <<= 1) {
        uint32_t with = 0;
        for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
            with |= (pin & number_bit) != 0 ? keyc_bench_bit(pin) : 0;
        }
        if ((bench->watched & with) != 0 && (bench->watched & ~with) != 0) {
            add_poll(bench, with);
            add_poll(bench, ~with);
        }
    }
    if (bench->poll_always == 0) {
        bench->poll_always = bench->poll_count;
    }
}

/* True if the polls can only be quiet in this state of the board: then no press or release can hide
 * from them. It is asked of the table, since a switch may move between a scan and a poll. */
bool keyc_bench_may_rest(const struct keyc_bench *bench, const struct keyc_bench_table *table)
{
    uint32_t hidden = table->held_against | table->not_recovered;
    for (unsigned poll = 0; poll < bench->poll_count; poll++) {
        uint32_t group = bench->poll_groups[poll], low = table->low_up;
        for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
            low |= (group & keyc_bench_bit(pin)) != 0 ? table->low_driven[pin] : 0;
        }
        hidden |= low & ~group;
    }
    return hidden == 0 && bench->poll_count != 0;
}

/* True while every line that isn't driven reads high, and the driven ones low. */
static bool poll_is_quiet(struct keyc_bench *bench, uint32_t group)
{
    uint32_t read = drive(bench, group);
    (void)wait_for_rise(bench, bench->watched, KEYC_BENCH_RECOVERY_US);
    return (read & bench->watched) == (bench->watched & ~group) && bench->still_low == 0;
}

bool keyc_bench_polls_quiet(struct keyc_bench *bench)
{
    for (unsigned poll = 0; poll < bench->poll_always; poll++) {
        if (!poll_is_quiet(bench, bench->poll_groups[poll])) {
            return false;
        }
    }
    for (unsigned turn = 0; turn < KEYC_BENCH_POLLS_IN_TURN && bench->poll_always < bench->poll_count; turn++) {
        bench->poll_next = bench->poll_next < bench->poll_count ? bench->poll_next : bench->poll_always;
        if (!poll_is_quiet(bench, bench->poll_groups[bench->poll_next++])) {
            return false;
        }
    }
    return true;
}
