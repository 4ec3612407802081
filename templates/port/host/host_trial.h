/* The trial image on this computer: the keyboard's port as it is, and a console in memory beside it. */
#ifndef KEYC_HOST_TRIAL_H
#define KEYC_HOST_TRIAL_H

#include "host_bench.h"
#include "trial.h"

struct keyc_host_trial {
    struct keyc_host keys; /* first: what is done to a struct keyc_host can be done to this */
    struct keyc_bench_port port;
    struct keyc_bench_identity identity;
    struct keyc_trial trial;
    struct keyc_host_queue to_board, from_board;
    uint32_t arrived; /* of from_board: what has reached the computer */
    uint32_t noted;   /* of the log's reports: those that the trial knows of */
};

uint32_t keyc_host_trial_bytes(void);

/* As keyc_host_begin(). */
bool keyc_host_trial_begin(struct keyc_host_trial *host, struct keyc_keyboard *keyboard,
                           const struct keyc_tables *tables, const struct keyc_bench_identity *identity,
                           uint64_t now_us);

/* Bytes to its console, and from it; each returns how many it took or gave. */
uint32_t keyc_host_trial_send(struct keyc_host_trial *host, const uint8_t *bytes, uint32_t count);
uint32_t keyc_host_trial_receive(struct keyc_host_trial *host, uint8_t *bytes, uint32_t room);

/* As keyc_host_run(). Whoever calls it takes every report off the log before he calls it again. */
void keyc_host_trial_run(struct keyc_host_trial *host, uint64_t until_us);

#endif
