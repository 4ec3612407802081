/* One line held low, read back all the time, and every edge of the others with its time: how contacts
 * bounce. This is the one drive that lasts; it ends when the line reads high, when the computer asks
 * for anything else, and when it has said nothing for a while. */
#include "bench_internal.h"

#define CHECK_US 1000u  /* from one look at the held line to the next, while no edge comes */
#define TRIES 8u        /* to find a moment in which nothing moves */

_Static_assert((KEYC_BENCH_EDGES & (KEYC_BENCH_EDGES - 1u)) == 0, "the counts of the ring wrap");

void keyc_bench_note_edge(struct keyc_bench *bench, unsigned pin, bool high, uint32_t time_us)
{
    struct keyc_bench_edges *edges = &bench->edges;
    uint32_t put = edges->put;
    if (put - edges->taken == KEYC_BENCH_EDGES) {
        edges->lost++;
        return;
    }
    edges->kept[put & (KEYC_BENCH_EDGES - 1u)] = (struct keyc_bench_edge){time_us, (uint8_t)pin, high};
    edges->put = put + 1u;
}

static uint32_t levels(const struct keyc_bench *bench)
{
    const struct keyc_port *lines = &bench->port->lines;
    return lines->port_read_levels(lines->context);
}

/* True, and let go, if something holds the driven line high. */
static bool is_contended(struct keyc_bench *bench, uint32_t read)
{
    const struct keyc_port *lines = &bench->port->lines;
    if (bench->held_line >= KEYC_BENCH_PINS || (read & keyc_bench_bit(bench->held_line)) == 0) {
        return false;
    }
    lines->port_release(lines->context);
    bench->holding = false;
    keyc_bench_tell(bench, KEYC_BENCH_HELD_AGAINST, bench->held_line, 0, 0);
    return true;
}

/* The levels that the edges from now on count from, taken while nothing moves. */
static void tell_levels(struct keyc_bench *bench)
{
    uint32_t read = 0;
    for (unsigned n = 0; n < TRIES; n++) {
        bench->edges.taken = bench->edges.put;
        read = levels(bench);
        if (bench->edges.taken == bench->edges.put) {
            break;
        }
    }
    keyc_bench_tell(bench, KEYC_BENCH_LOW_LINES, bench->held_line, bench->watched & ~read, 0);
    keyc_bench_tell(bench, KEYC_BENCH_FINISHED, KEYC_BENCH_HOLD_LOW, 0, 0);
}

void keyc_bench_begin_to_hold(struct keyc_bench *bench)
{
    const struct keyc_port *lines = &bench->port->lines;
    if (bench->held_high != 0) { /* stays high against its pull-down: never driven */
        keyc_bench_tell(bench, KEYC_BENCH_HELD_AGAINST, bench->held_line, 0, 0);
        keyc_bench_tell(bench, KEYC_BENCH_FINISHED, KEYC_BENCH_HOLD_LOW, 0, 0);
        return;
    }
    bench->port->port_hold_low(lines->context, bench->work_mask, bench->watched);
    lines->port_settle(lines->context, KEYC_BENCH_SETTLE_US);
    if (is_contended(bench, levels(bench))) {
        keyc_bench_tell(bench, KEYC_BENCH_FINISHED, KEYC_BENCH_HOLD_LOW, 0, 0);
        return;
    }
    bench->holding = true;
    bench->edges.lost = 0;
    tell_levels(bench);
}

uint32_t keyc_bench_hold(struct keyc_bench *bench)
{
    const struct keyc_port *lines = &bench->port->lines;
    struct keyc_bench_edges *edges = &bench->edges;
    while (edges->taken != edges->put) {
        const struct keyc_bench_edge *edge = &edges->kept[edges->taken & (KEYC_BENCH_EDGES - 1u)];
        keyc_bench_tell(bench, KEYC_BENCH_EDGE, edge->pin, edge->high, edge->time_us);
        edges->taken++;
    }
    if (is_contended(bench, levels(bench))) {
        return 0;
    }
    if (lines->port_now_us(lines->context) - bench->heard_us >= KEYC_BENCH_HOLD_US) {
        lines->port_release(lines->context);
        bench->holding = false;
        keyc_bench_tell(bench, KEYC_BENCH_FINISHED, KEYC_BENCH_STOP, 0, 0);
    } else if (edges->lost != 0) {
        keyc_bench_tell(bench, KEYC_BENCH_EDGES_LOST, 0, edges->lost, 0);
        edges->lost = 0;
        tell_levels(bench);
    }
    return CHECK_US;
}
