/* The bench image on this computer: the same bench over the same lines as the keyboard's port, with
 * a console in memory that the other side reads once a millisecond. */
#ifndef KEYC_HOST_BENCH_H
#define KEYC_HOST_BENCH_H

#include "bench.h"
#include "host.h"

#define KEYC_HOST_CONSOLE_BYTES 4096u /* a power of two */
#define KEYC_HOST_STEP_US 20u         /* what a step that waits for nothing takes */

/* Bytes on their way; the counts run on and wrap. */
struct keyc_host_queue {
    uint32_t taken, given;
    uint8_t bytes[KEYC_HOST_CONSOLE_BYTES];
};

/* How many bytes went in, or came out. */
uint32_t keyc_host_put(struct keyc_host_queue *queue, const uint8_t *bytes, uint32_t count);
uint32_t keyc_host_get(struct keyc_host_queue *queue, uint8_t *bytes, uint32_t count);

struct keyc_host_bench {
    struct keyc_host_lines lines; /* first: it is the port's context */
    struct keyc_bench_port port;
    struct keyc_bench_identity identity;
    struct keyc_bench bench;
    struct keyc_host_queue to_board, from_board;
    uint32_t arrived; /* of from_board: what has reached the computer */
    uint64_t next_frame_us, wanted_us;
    uint64_t drive_began_us, driven_us[KEYC_BENCH_PINS]; /* how long each pin was driven low, so far */
    uint64_t driven_high_us[KEYC_BENCH_PINS];
    uint32_t resets;  /* lines that pull RUN low when they are driven */
    bool has_reset;   /* by RUN: an image in RAM is gone with that */
    bool has_restarted;
};

uint32_t keyc_host_bench_size(void);

/* Begins at `now_us`. `host` is zeroed here. */
void keyc_host_bench_begin(struct keyc_host_bench *host, const struct keyc_bench_identity *identity,
                           uint64_t now_us);
void keyc_host_bench_set_resets(struct keyc_host_bench *host, uint32_t resets);
/* Per pin the lines that read high while it is driven high. */
void keyc_host_bench_set_raises(struct keyc_host_bench *host, const uint32_t *raised);

/* Bytes to its console, and from it; each returns how many it took or gave. */
uint32_t keyc_host_bench_send(struct keyc_host_bench *host, const uint8_t *bytes, uint32_t count);
uint32_t keyc_host_bench_receive(struct keyc_host_bench *host, uint8_t *bytes, uint32_t room);

/* Runs until the clock has come to `until_us`, or one step past it; sooner if it is gone. */
void keyc_host_bench_run(struct keyc_host_bench *host, uint64_t until_us);
/* How long each of the KEYC_BENCH_PINS has been driven low, and high, since it began. */
void keyc_host_bench_driven_us(const struct keyc_host_bench *host, uint64_t *low_us, uint64_t *high_us);
uint64_t keyc_host_bench_clock_us(const struct keyc_host_bench *host);
bool keyc_host_bench_is_gone(const struct keyc_host_bench *host);

#endif
