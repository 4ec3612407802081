/* The trial image's console: who this is, and while the computer asks for it, every change of a switch
 * and of what the computer was told, with its time. The keys themselves go their usual way.
 *
 * Lines, ring and identity are those of the bench image (bench_wire.c); WIRE.md has the words. */
#ifndef KEYC_TRIAL_H
#define KEYC_TRIAL_H

#include "bench.h"
#include "keyc_engine.h"

#define KEYC_TRIAL_KEY_WORDS 8u
#define KEYC_TRIAL_CONTROLS 4u /* two consumer usages, a system usage, the pointer's buttons */

struct keyc_trial {
    struct keyc_bench bench; /* of which only the console is used */
    bool watching;
    uint32_t told[KEYC_LINES];           /* switches that are down, as in keyc_keyboard */
    uint32_t keys[KEYC_TRIAL_KEY_WORDS]; /* usages of the keyboard page that are down: bit n % 32 of word n / 32 */
    uint16_t controls[KEYC_TRIAL_CONTROLS];
};

/* Forgets everything and says hello. Identity and port stay the caller's; of the port's `lines` only the
 * clock and the way into the ROM are used. */
void keyc_trial_begin(struct keyc_trial *trial, const struct keyc_bench_identity *identity,
                      const struct keyc_bench_port *port);

/* After each keyc_advance(): tells what moved, obeys one command, writes what the console takes. Returns
 * after how many us it wants to be called again at the latest. */
uint32_t keyc_trial_advance(struct keyc_trial *trial, const struct keyc_keyboard *keyboard);

/* The computer has this report, as keyc_engine.h has it; the keyboard's in either protocol. */
void keyc_trial_note_report(struct keyc_trial *trial, uint8_t which, const uint8_t *bytes, uint8_t length);

#endif
