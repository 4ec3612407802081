/* What the trial image says on its console. See trial.h. */
#include "trial.h"

#include "bench_internal.h"
#include "engine_internal.h"

#define KEYC_TRIAL_WHEN_ASKED_US 100000u
#define KEYC_TRIAL_SENT_CHECK_US 100u /* from asking to asking whether the last line has gone out */
#define KEYC_TRIAL_FIRST_BITMAP_BYTE 8u
#define KEYC_TRIAL_FIRST_BOOT_KEY 2u
#define KEYC_TRIAL_LAST_ERROR 3u /* usages 1 to 3 of a boot report say that something is wrong */

enum work { NOTHING, RESTARTING };

static uint32_t now_us(const struct keyc_trial *trial)
{
    const struct keyc_port *lines = &trial->bench.port->lines;
    return lines->port_now_us(lines->context);
}

static void tell_switch(struct keyc_trial *trial, unsigned switch_number, bool down)
{
    keyc_bench_tell(&trial->bench, down ? KEYC_BENCH_SWITCH_DOWN : KEYC_BENCH_SWITCH_UP, 0, switch_number,
                    now_us(trial));
}

static void tell_usage(struct keyc_trial *trial, unsigned page, unsigned id, bool down)
{
    if (trial->watching)
        keyc_bench_tell(&trial->bench, down ? KEYC_BENCH_USAGE_DOWN : KEYC_BENCH_USAGE_UP, page, id, now_us(trial));
}

/* -- switches ------------------------------------------------------------------------------------- */

/* Those of one line that are in `changes`. Line `driven_count`, one past the driven ones, is the direct
 * switches. */
static void tell_line(struct keyc_trial *trial, const struct keyc_keyboard *keyboard, unsigned line, uint32_t changes)
{
    const struct keyc_tables *tables = keyboard->tables;
    const uint8_t *switches = tables->switch_at + line * tables->sensed_count;
    bool direct = line == tables->driven_count;
    const uint8_t *pins = direct ? tables->direct : tables->sensed;
    unsigned count = direct ? tables->direct_count : tables->sensed_count;
    for (unsigned n = 0; n < count; ++n) {
        uint32_t bit = keyc_bit(pins[n]);
        if ((changes & bit) != 0 && switches[n] != KEYC_NO_SWITCH)
            tell_switch(trial, switches[n], (keyboard->told[line] & bit) != 0);
    }
}

static void note_switches(struct keyc_trial *trial, const struct keyc_keyboard *keyboard)
{
    for (unsigned line = 0; line <= keyboard->tables->driven_count; ++line) {
        uint32_t changes = keyboard->told[line] ^ trial->told[line];
        if (changes == 0)
            continue;
        trial->told[line] = keyboard->told[line];
        if (trial->watching)
            tell_line(trial, keyboard, line, changes);
    }
}

/* -- what the computer was told ------------------------------------------------------------------- */

static void note_keyboard(struct keyc_trial *trial, const uint8_t *bytes, uint8_t length)
{
    uint32_t keys[KEYC_TRIAL_KEY_WORDS] = {0};
    for (unsigned n = 0; n < KEYC_MODIFIER_COUNT; ++n)
        if ((bytes[0] >> n & 1u) != 0)
            keyc_put_in(keys, 0xE0u + n);
    if (length > KEYC_BOOT_REPORT_BYTES) {
        for (unsigned n = 0; n < 8u * (length - KEYC_TRIAL_FIRST_BITMAP_BYTE); ++n)
            if ((bytes[KEYC_TRIAL_FIRST_BITMAP_BYTE + n / 8u] >> n % 8u & 1u) != 0)
                keyc_put_in(keys, n);
    } else {
        for (unsigned n = KEYC_TRIAL_FIRST_BOOT_KEY; n < length; ++n)
            if (bytes[n] > KEYC_TRIAL_LAST_ERROR)
                keyc_put_in(keys, bytes[n]);
    }
    for (unsigned n = 0; n < 32u * KEYC_TRIAL_KEY_WORDS; ++n)
        if (keyc_is_in(keys, n) != keyc_is_in(trial->keys, n))
            tell_usage(trial, KEYC_PAGE_KEYBOARD, n, keyc_is_in(keys, n));
    for (unsigned n = 0; n < KEYC_TRIAL_KEY_WORDS; ++n)
        trial->keys[n] = keys[n];
}

static bool is_among(const uint16_t *usages, unsigned count, uint16_t usage)
{
    for (unsigned n = 0; n < count; ++n)
        if (usages[n] == usage)
            return true;
    return false;
}

/* A report that names usages; 0 is none. */
static void note_usages(struct keyc_trial *trial, unsigned page, unsigned first, const uint16_t *usages, unsigned count)
{
    uint16_t *before = trial->controls + first;
    for (unsigned n = 0; n < count; ++n)
        if (before[n] != 0 && !is_among(usages, count, before[n]))
            tell_usage(trial, page, before[n], false);
    for (unsigned n = 0; n < count; ++n)
        if (usages[n] != 0 && !is_among(before, count, usages[n]))
            tell_usage(trial, page, usages[n], true);
    for (unsigned n = 0; n < count; ++n)
        before[n] = usages[n];
}

static void note_buttons(struct keyc_trial *trial, uint8_t buttons)
{
    uint16_t *before = trial->controls + KEYC_TRIAL_CONTROLS - 1u;
    for (unsigned n = 0; n < 8u; ++n)
        if ((((unsigned)buttons ^ *before) >> n & 1u) != 0)
            tell_usage(trial, KEYC_PAGE_BUTTON, n + 1u, ((unsigned)buttons >> n & 1u) != 0);
    *before = buttons;
}

void keyc_trial_note_report(struct keyc_trial *trial, uint8_t which, const uint8_t *bytes, uint8_t length)
{
    uint16_t usages[2];
    switch (which) {
    case KEYC_REPORT_KEYBOARD:
        note_keyboard(trial, bytes, length);
        break;
    case KEYC_REPORT_CONSUMER:
        usages[0] = (uint16_t)(bytes[0] | bytes[1] << 8);
        usages[1] = (uint16_t)(bytes[2] | bytes[3] << 8);
        note_usages(trial, KEYC_PAGE_CONSUMER, 0, usages, 2);
        break;
    case KEYC_REPORT_SYSTEM:
        usages[0] = bytes[0];
        note_usages(trial, KEYC_PAGE_DESKTOP, 2, usages, 1);
        break;
    default:
        note_buttons(trial, bytes[0]);
        break;
    }
}

/* -- commands ------------------------------------------------------------------------------------- */

static void say_who(struct keyc_trial *trial, const struct keyc_keyboard *keyboard)
{
    struct keyc_bench *bench = &trial->bench;
    uint32_t lines = keyboard->driven_lines | keyboard->sensed_lines | keyboard->direct_lines;
    keyc_bench_tell(bench, KEYC_BENCH_HELLO, KEYC_BENCH_TRIAL_IMAGE, now_us(trial), 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN_LINES, KEYC_BENCH_WATCH, lines, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_SWITCHES, keyboard->tables->switch_count, 0);
    keyc_bench_tell(bench, KEYC_BENCH_CAN, KEYC_BENCH_RING, KEYC_BENCH_RING_LINES, 0);
    keyc_bench_tell_identity(bench);
}

/* Everything that is down first: changes count from there. */
static void begin_to_watch(struct keyc_trial *trial, const struct keyc_keyboard *keyboard)
{
    trial->watching = true;
    for (unsigned line = 0; line <= keyboard->tables->driven_count; ++line)
        tell_line(trial, keyboard, line, trial->told[line]);
    for (unsigned n = 0; n < 32u * KEYC_TRIAL_KEY_WORDS; ++n)
        if (keyc_is_in(trial->keys, n))
            tell_usage(trial, KEYC_PAGE_KEYBOARD, n, true);
    keyc_bench_tell(&trial->bench, KEYC_BENCH_FINISHED, KEYC_BENCH_WATCH, 0, 0);
}

static void refused(struct keyc_trial *trial, unsigned why)
{
    keyc_bench_tell(&trial->bench, KEYC_BENCH_REFUSED, why, 0, 0);
}

static bool is_known(unsigned word)
{
    return word == KEYC_BENCH_WHO || word == KEYC_BENCH_WATCH || word == KEYC_BENCH_STOP ||
           word == KEYC_BENCH_RECEIVED || word == KEYC_BENCH_SEND_AGAIN || word == KEYC_BENCH_RESTART;
}

static void obey(struct keyc_trial *trial, const struct keyc_keyboard *keyboard,
                 const struct keyc_bench_command *command)
{
    bool takes_number = command->word == KEYC_BENCH_RECEIVED || command->word == KEYC_BENCH_SEND_AGAIN;
    if (!is_known(command->word)) { /* what the bench image measures, or why the line made no sense */
        refused(trial, command->word < KEYC_BENCH_COMMANDS ? KEYC_BENCH_UNKNOWN_WORD : command->word);
        return;
    }
    if (command->fields != (takes_number ? 1u : 0u) || (takes_number && command->field[0] > UINT16_MAX)) {
        refused(trial, KEYC_BENCH_WRONG_FIELDS);
        return;
    }
    switch (command->word) {
    case KEYC_BENCH_WHO:
        say_who(trial, keyboard);
        break;
    case KEYC_BENCH_WATCH:
        begin_to_watch(trial, keyboard);
        break;
    case KEYC_BENCH_STOP:
        trial->watching = false;
        keyc_bench_tell(&trial->bench, KEYC_BENCH_FINISHED, KEYC_BENCH_STOP, 0, 0);
        break;
    case KEYC_BENCH_RECEIVED:
        keyc_bench_forget(&trial->bench, (uint16_t)command->field[0]);
        break;
    case KEYC_BENCH_SEND_AGAIN:
        if (!keyc_bench_send_again(&trial->bench, (uint16_t)command->field[0]))
            refused(trial, KEYC_BENCH_NOT_KEPT);
        break;
    default:
        trial->watching = false;
        trial->bench.work = RESTARTING;
        keyc_bench_tell(&trial->bench, KEYC_BENCH_FINISHED, KEYC_BENCH_RESTART, 0, 0);
        break;
    }
}

/* -- the two that callers use --------------------------------------------------------------------- */

void keyc_trial_begin(struct keyc_trial *trial, const struct keyc_bench_identity *identity,
                      const struct keyc_bench_port *port)
{
    keyc_clear(trial, sizeof *trial);
    trial->bench.identity = identity;
    trial->bench.port = port;
    keyc_bench_tell(&trial->bench, KEYC_BENCH_HELLO, KEYC_BENCH_TRIAL_IMAGE, now_us(trial), 0);
}

uint32_t keyc_trial_advance(struct keyc_trial *trial, const struct keyc_keyboard *keyboard)
{
    struct keyc_bench *bench = &trial->bench;
    struct keyc_bench_command command;
    uint32_t wait_us = KEYC_TRIAL_WHEN_ASKED_US;
    note_switches(trial, keyboard);
    if (keyc_bench_read(bench, &command)) {
        obey(trial, keyboard, &command);
        wait_us = 0;
    } else if (bench->work == RESTARTING) {
        wait_us = KEYC_TRIAL_SENT_CHECK_US;
        if (keyc_bench_all_sent(bench))
            bench->port->lines.port_restart_to_rom(bench->port->lines.context);
    }
    keyc_bench_write(bench);
    return wait_us;
}
