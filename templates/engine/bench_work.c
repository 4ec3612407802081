/* The commands, and the work that they start: looking, watching, holding, blinking. */
#include "bench_internal.h"

#define WHEN_ASKED_US 100000u /* nothing to do of its own accord */
#define HELD_SCAN_US 1000u    /* from scan to scan while something is held but nothing moves */
#define SENT_CHECK_US 100u    /* from asking to asking whether a line has gone out */
#define BLINK_US 1000000u

enum work { NOTHING, LOOKING, BEGINNING_TO_WATCH, BEGINNING_TO_HOLD, BLINKING, RESTARTING };

static uint32_t now_us(const struct keyc_bench *bench)
{
    const struct keyc_port *lines = &bench->port->lines;
    return lines->port_now_us(lines->context);
}

static uint32_t own_lines(const struct keyc_bench *bench)
{
    const struct keyc_bench_identity *identity = bench->identity;
    return (identity->cathode_lines | identity->anode_lines | identity->direct_lines) & identity->usable_pins;
}

/* No line of the matrix is among them, whatever the identity says. */
static uint32_t lit_high(const struct keyc_bench *bench)
{
    return bench->identity->lit_high & bench->identity->usable_pins & ~own_lines(bench);
}

static void finished(struct keyc_bench *bench, unsigned word)
{
    keyc_bench_tell(bench, KEYC_BENCH_FINISHED, word, 0, 0);
}

static void refused(struct keyc_bench *bench, unsigned why)
{
    keyc_bench_tell(bench, KEYC_BENCH_REFUSED, why, 0, 0);
}

/* -- commands ------------------------------------------------------------------------------------ */

static void say_hello(struct keyc_bench *bench)
{
    keyc_bench_tell(bench, KEYC_BENCH_HELLO, KEYC_BENCH_IMAGE, now_us(bench), 0);
}

static void say_who(struct keyc_bench *bench)
{
    say_hello(bench);
    keyc_bench_tell(bench, KEYC_BENCH_CAN_LINES, KEYC_BENCH_USABLE, bench->identity->usable_pins, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN_LINES, KEYC_BENCH_WATCH, own_lines(bench), 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN_LINES, KEYC_BENCH_LIT_HIGH, lit_high(bench), 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_SETTLE, KEYC_BENCH_SETTLE_US, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_RING, KEYC_BENCH_RING_LINES, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_QUIET, KEYC_BENCH_QUIET_US, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_SOONEST, KEYC_BENCH_SOONEST_US, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_HOLD_LOW, KEYC_BENCH_EDGE_US, 0);
    keyc_bench_tell_identity(bench);
}

/* A new piece of work takes the place of the one in hand. */
static void start(struct keyc_bench *bench, unsigned work, uint32_t lines)
{
    bench->port->lines.port_release(bench->port->lines.context);
    bench->watching = false;
    bench->holding = false;
    bench->announced = false;
    bench->lit = false;
    bench->work = (uint8_t)work;
    bench->work_mask = lines;
    bench->work_began_us = now_us(bench);
    if (work == LOOKING || work == BEGINNING_TO_WATCH || work == BEGINNING_TO_HOLD) {
        keyc_bench_pull_down(bench, lines);
    }
}

static void start_on_lines(struct keyc_bench *bench, unsigned work, const struct keyc_bench_command *command)
{
    uint32_t usable = bench->identity->usable_pins;
    uint32_t lines = work == LOOKING ? usable : own_lines(bench);
    uint32_t quiet_us = command->fields > 1u ? command->field[1] : KEYC_BENCH_QUIET_US;
    if (command->fields != 0) {
        lines = command->field[0];
    }
    if (lines == 0 || quiet_us > KEYC_BENCH_QUIET_US) {
        refused(bench, KEYC_BENCH_WRONG_FIELDS);
    } else if ((lines & ~usable) != 0) {
        refused(bench, KEYC_BENCH_PIN_NOT_FREE);
    } else {
        start(bench, work, lines);
        bench->quiet_us = quiet_us;
    }
}

static void start_to_hold(struct keyc_bench *bench, const struct keyc_bench_command *command)
{
    uint32_t usable = bench->identity->usable_pins, how = command->field[0];
    uint32_t driven = how < KEYC_BENCH_PINS ? keyc_bench_bit((unsigned)how) : 0;
    uint32_t lines = (command->fields > 1u ? command->field[1] : own_lines(bench)) & ~driven;
    if (lines == 0) {
        refused(bench, KEYC_BENCH_WRONG_FIELDS);
    } else if (((lines | driven) & ~usable) != 0) {
        refused(bench, KEYC_BENCH_PIN_NOT_FREE);
    } else {
        start(bench, BEGINNING_TO_HOLD, driven);
        bench->held_line = (uint8_t)how;
        bench->watched = lines;
        bench->heard_us = now_us(bench);
    }
}

static void start_blinking(struct keyc_bench *bench, uint32_t pin)
{
    uint32_t free_pins = bench->identity->usable_pins & ~own_lines(bench);
    if (pin >= KEYC_BENCH_PINS || (free_pins & keyc_bench_bit((unsigned)pin)) == 0) {
        refused(bench, KEYC_BENCH_PIN_NOT_FREE);
        return;
    }
    start(bench, BLINKING, keyc_bench_bit((unsigned)pin));
    bench->held_high = 0; /* an indicator's LED may hold its pin up: it is read back instead */
}

static void obey(struct keyc_bench *bench, const struct keyc_bench_command *command)
{
    if (command->word >= KEYC_BENCH_COMMANDS) {
        refused(bench, command->word);
        return;
    }
    switch (command->word) {
    case KEYC_BENCH_WHO:
        say_who(bench);
        break;
    case KEYC_BENCH_LOOK:
        start_on_lines(bench, LOOKING, command);
        break;
    case KEYC_BENCH_WATCH:
        start_on_lines(bench, BEGINNING_TO_WATCH, command);
        break;
    case KEYC_BENCH_RECEIVED:
        keyc_bench_forget(bench, (uint16_t)command->field[0]);
        break;
    case KEYC_BENCH_SEND_AGAIN:
        if (!keyc_bench_send_again(bench, (uint16_t)command->field[0])) {
            refused(bench, KEYC_BENCH_NOT_KEPT);
        }
        break;
    case KEYC_BENCH_BLINK:
        start_blinking(bench, command->field[0]);
        break;
    case KEYC_BENCH_HOLD_LOW:
        start_to_hold(bench, command);
        break;
    case KEYC_BENCH_STOP:
        start(bench, NOTHING, 0);
        finished(bench, KEYC_BENCH_STOP);
        break;
    default:
        start(bench, RESTARTING, 0);
        finished(bench, KEYC_BENCH_RESTART);
        break;
    }
}

/* -- work ---------------------------------------------------------------------------------------- */

/* Pins that have never been driven are announced, and driven once, one by one: if the chip resets
 * (GPIO16 touching RUN), the computer knows at which. False while one is under way. */
static bool all_driven_before(struct keyc_bench *bench)
{
    uint32_t left = bench->work_mask & ~bench->driven_before & ~bench->held_high;
    for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
        if ((left & keyc_bench_bit(pin)) == 0) {
            continue;
        }
        if (!bench->announced) {
            keyc_bench_tell(bench, KEYC_BENCH_ABOUT_TO_DRIVE, pin, 0, 0);
            bench->announced = true;
        } else if (keyc_bench_all_sent(bench)) {
            keyc_bench_first_drive(bench, pin);
            bench->announced = false;
        }
        return false;
    }
    return true;
}

static void tell_row(struct keyc_bench *bench, unsigned pin, bool with_rise)
{
    uint32_t bit = keyc_bench_bit(pin);
    if ((bench->seen.held_against & bit) != 0) {
        keyc_bench_tell(bench, KEYC_BENCH_HELD_AGAINST, pin, 0, 0);
    } else if ((bench->seen.not_recovered & bit) != 0) {
        keyc_bench_tell(bench, KEYC_BENCH_NOT_RECOVERED, pin, 0, 0);
    } else {
        keyc_bench_tell(bench, KEYC_BENCH_LOW_LINES, pin, bench->seen.low_driven[pin], 0);
        if (with_rise) {
            keyc_bench_tell(bench, KEYC_BENCH_RISE, pin, bench->rise_ns[pin], 0);
        }
    }
}

static void tell_table(struct keyc_bench *bench, bool with_rise)
{
    keyc_bench_scan(bench, bench->work_mask, &bench->seen);
    keyc_bench_tell(bench, KEYC_BENCH_LOW_LINES, KEYC_BENCH_DOWN, bench->low_down, 0);
    keyc_bench_tell(bench, KEYC_BENCH_LOW_LINES, KEYC_BENCH_UP, bench->seen.low_up, 0);
    for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
        if ((bench->work_mask & ~bench->held_high & keyc_bench_bit(pin)) != 0) {
            tell_row(bench, pin, with_rise);
        }
    }
}

static void begin_to_watch(struct keyc_bench *bench)
{
    bench->watching = true;
    bench->watched = bench->work_mask;
    bench->told = bench->seen;
    bench->restful = false;
    bench->unsettled = false;
    bench->scanned_us = bench->changed_us = now_us(bench);
    keyc_bench_plan_polls(bench);
}

/* One pulse of a light, no longer than any other drive. Returns the levels read meanwhile. */
static uint32_t pulse(const struct keyc_bench *bench, bool high)
{
    const struct keyc_port *lines = &bench->port->lines;
    uint32_t levels;
    if (high) {
        bench->port->port_drive_high(lines->context, bench->work_mask);
    } else {
        lines->port_drive_low(lines->context, bench->work_mask);
    }
    lines->port_settle(lines->context, KEYC_BENCH_SETTLE_US);
    levels = lines->port_read_levels(lines->context);
    lines->port_release(lines->context);
    lines->port_settle(lines->context, KEYC_BENCH_SETTLE_US);
    return levels;
}

/* One pulse, with all other pins pulled down: true if another one follows, to which this one is joined. */
static bool is_followed(struct keyc_bench *bench)
{
    uint32_t others = bench->identity->usable_pins & ~bench->work_mask, high;
    bench->port->port_pull_down(bench->port->lines.context, others);
    bench->port->lines.port_settle(bench->port->lines.context, KEYC_BENCH_RECOVERY_US);
    high = others & bench->port->lines.port_read_levels(bench->port->lines.context);
    return (pulse(bench, true) & others & ~high) != 0;
}

/* A light that is wired to ground is the one thing ever driven high: a pin that this image's own keymap
 * declares so, and that no other pin follows. Either kind is let go when it reads otherwise than driven. */
static void blink(struct keyc_bench *bench)
{
    bool high = (bench->work_mask & lit_high(bench)) != 0;
    uint32_t levels;
    if (high && !bench->lit && is_followed(bench)) {
        bench->work = NOTHING;
        refused(bench, KEYC_BENCH_PIN_NOT_FREE);
        return;
    }
    bench->lit = true;
    levels = pulse(bench, high);
    if (high) {
        levels = ~levels;
    }
    if ((levels & bench->work_mask) != 0) {
        for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
            if (bench->work_mask == keyc_bench_bit(pin)) {
                keyc_bench_tell(bench, KEYC_BENCH_HELD_AGAINST, pin, 0, 0);
            }
        }
    } else if (now_us(bench) - bench->work_began_us < BLINK_US) {
        return;
    }
    bench->work = NOTHING;
    finished(bench, KEYC_BENCH_BLINK);
}

static uint32_t work_on(struct keyc_bench *bench)
{
    if (bench->work == RESTARTING) {
        if (keyc_bench_all_sent(bench)) {
            bench->work = NOTHING;
            bench->port->lines.port_restart_to_rom(bench->port->lines.context);
        }
        return SENT_CHECK_US;
    }
    if (!all_driven_before(bench)) {
        return bench->announced ? SENT_CHECK_US : 0;
    }
    if (bench->work == BLINKING) {
        blink(bench);
        return 0;
    }
    if (bench->work == BEGINNING_TO_HOLD) {
        keyc_bench_begin_to_hold(bench);
        bench->work = NOTHING;
        return 0;
    }
    tell_table(bench, bench->work == LOOKING);
    if (bench->work == LOOKING) {
        finished(bench, KEYC_BENCH_LOOK);
    } else {
        finished(bench, KEYC_BENCH_WATCH);
        begin_to_watch(bench);
    }
    bench->work = NOTHING;
    return 0;
}

/* -- watching ------------------------------------------------------------------------------------ */

static void tell_frame(struct keyc_bench *bench, bool unsteady)
{
    const struct keyc_bench_table *seen = &bench->seen;
    uint32_t mute = seen->held_against | seen->not_recovered, since_us = bench->changed_us;
    if (unsteady) {
        keyc_bench_tell(bench, KEYC_BENCH_UNSTEADY, 0, since_us, 0);
    } else if (keyc_bench_same(&bench->told, seen)) {
        return;
    }
    if (bench->told.low_up != seen->low_up) {
        keyc_bench_tell(bench, KEYC_BENCH_CHANGE, KEYC_BENCH_UP, seen->low_up, since_us);
    }
    for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
        if ((mute & keyc_bench_bit(pin)) != 0) {
            tell_row(bench, pin, false);
        } else if (bench->told.low_driven[pin] != seen->low_driven[pin]) {
            keyc_bench_tell(bench, KEYC_BENCH_CHANGE, pin, seen->low_driven[pin], since_us);
            bench->told.low_driven[pin] = seen->low_driven[pin];
        }
    }
    bench->told.low_up = seen->low_up;
    bench->told.held_against = seen->held_against;
    bench->told.not_recovered = seen->not_recovered;
    finished(bench, KEYC_BENCH_CHANGES);
}

/* A row that says nothing keeps what was told of it. */
static void keep_mute_rows(const struct keyc_bench *bench, struct keyc_bench_table *found)
{
    uint32_t mute = found->held_against | found->not_recovered;
    for (unsigned pin = 0; pin < KEYC_BENCH_PINS; pin++) {
        if ((mute & keyc_bench_bit(pin)) != 0) {
            found->low_driven[pin] = bench->told.low_driven[pin];
        }
    }
}

static uint32_t watch(struct keyc_bench *bench)
{
    struct keyc_bench_table found;
    bool in_a_hurry = bench->quiet_us < KEYC_BENCH_QUIET_US;
    uint32_t began_us = now_us(bench), wait_us = bench->restful && !in_a_hurry ? KEYC_BENCH_REST_US : HELD_SCAN_US;
    bool quiet = !bench->unsettled && began_us - bench->changed_us >= bench->quiet_us;
    if (quiet && began_us - bench->scanned_us < wait_us) {
        return wait_us - (began_us - bench->scanned_us);
    }
    bench->scanned_us = began_us;
    if (bench->restful && keyc_bench_polls_quiet(bench)) {
        return wait_us;
    }
    bench->restful = false;
    keyc_bench_scan(bench, bench->watched, &found);
    keep_mute_rows(bench, &found);
    if (!keyc_bench_same(&found, &bench->seen)) {
        bench->seen = found;
        bench->changed_us = began_us;
        if (!bench->unsettled) {
            bench->unsettled = true;
            bench->frame_began_us = began_us;
        }
    }
    if (!bench->unsettled) {
        bench->restful = quiet && keyc_bench_may_rest(bench, &bench->seen);
        return quiet ? (bench->restful && !in_a_hurry ? KEYC_BENCH_REST_US : HELD_SCAN_US) : 0;
    }
    if (began_us - bench->changed_us >= bench->quiet_us) {
        tell_frame(bench, false);
        bench->unsettled = false;
    } else if (began_us - bench->frame_began_us >= KEYC_BENCH_UNSTEADY_US) {
        tell_frame(bench, true);
        bench->frame_began_us = began_us;
    }
    return 0;
}

/* -- the two that callers use --------------------------------------------------------------------- */

void keyc_bench_begin(struct keyc_bench *bench, const struct keyc_bench_identity *identity,
                      const struct keyc_bench_port *port)
{
    uint8_t *bytes = (uint8_t *)bench;
    for (uint32_t n = 0; n < sizeof *bench; n++) {
        bytes[n] = 0;
    }
    bench->identity = identity;
    bench->port = port;
    port->lines.port_release(port->lines.context);
    say_hello(bench);
}

uint32_t keyc_bench_advance(struct keyc_bench *bench)
{
    struct keyc_bench_command command;
    uint32_t wait_us = WHEN_ASKED_US;
    if (keyc_bench_read(bench, &command)) {
        bench->heard_us = now_us(bench);
        obey(bench, &command);
        wait_us = 0;
    } else if (bench->work != NOTHING) {
        wait_us = work_on(bench);
    } else if (bench->watching) {
        wait_us = watch(bench);
    } else if (bench->holding) {
        wait_us = keyc_bench_hold(bench);
    }
    keyc_bench_write(bench);
    return wait_us;
}
