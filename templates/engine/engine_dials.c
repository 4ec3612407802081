/* Dials: two lines that open and close in turn, a quarter of a turn apart. Each detent is a press and a
 * release of a switch of its own. */
#include "engine_internal.h"

/* A dial rests in a detent (common practice): what edges were lost before a rest is forgotten then. */
#define KEYC_DIAL_RESTS_US 300000u

/* [levels before << 2 | levels now]: which way the edge goes. Two edges at once could be either, and
 * none is none. Line A is the upper bit and leads clockwise. */
static const int8_t keyc_edges[16] = {0, -1, 1, 0, 1, 0, 0, -1, -1, 0, 0, 1, 0, 1, -1, 0};

/* Scans come quickly for so long after an edge, so that none is missed. */
#define KEYC_DIAL_TURNS_US 20000u

/* What is known of a dial: bits 0-1 its levels, bit 2 that they are known, bits 8-15 the edges since the
 * last detent, signed. */
#define KEYC_DIAL_LEVELS 3u
#define KEYC_DIAL_BEGUN 4u
#define KEYC_DIAL_EDGES_SHIFT 8u
#define KEYC_DIAL_EDGES_MOST 100

/* A detent waits until the queue has room for both of its events. */
static int keyc_tell_detents(struct keyc_keyboard *keyboard, const struct keyc_dial *dial, int edges, uint32_t now_us)
{
    int detent = dial->edges_per_detent;
    while ((edges >= detent || edges <= -detent) && keyboard->event_count + 2u <= KEYC_EVENTS) {
        uint8_t switch_number = (uint8_t)(dial->first_switch + (edges < 0));
        (void)keyc_put_event(keyboard, switch_number, true, now_us);
        (void)keyc_put_event(keyboard, switch_number, false, now_us);
        edges += edges < 0 ? detent : -detent;
    }
    if (edges > KEYC_DIAL_EDGES_MOST)
        return KEYC_DIAL_EDGES_MOST;
    return edges < -KEYC_DIAL_EDGES_MOST ? -KEYC_DIAL_EDGES_MOST : edges;
}

/* Its state lies in the slots of its two switches, which no debounce uses. */
static void keyc_read_dial(struct keyc_keyboard *keyboard, const struct keyc_dial *dial, uint32_t lines, uint32_t now_us)
{
    uint32_t *turned_us = &keyboard->slots[dial->first_switch].changed_us;
    uint32_t *known = &keyboard->slots[dial->first_switch + 1u].changed_us;
    uint32_t levels = ((lines >> dial->pin_a) & 1u) << 1 | ((lines >> dial->pin_b) & 1u);
    int edges = (int8_t)(uint8_t)(*known >> KEYC_DIAL_EDGES_SHIFT);
    uint32_t before = *known & KEYC_DIAL_LEVELS;
    keyc_keep_near(turned_us, now_us, KEYC_DIAL_RESTS_US);
    if ((*known & KEYC_DIAL_BEGUN) && levels != before) {
        if (now_us - *turned_us >= KEYC_DIAL_RESTS_US)
            edges = 0;
        *turned_us = now_us;
        edges += keyc_edges[before << 2 | levels];
    }
    edges = keyc_tell_detents(keyboard, dial, edges, now_us);
    *known = levels | KEYC_DIAL_BEGUN | (uint32_t)(uint8_t)edges << KEYC_DIAL_EDGES_SHIFT;
    keyboard->turning |= now_us - *turned_us < KEYC_DIAL_TURNS_US;
}

void keyc_read_dials(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    uint32_t lines = keyboard->port->port_read_levels(keyboard->port->context);
    keyboard->turning = false;
    for (unsigned n = 0; n < further->dial_count; ++n)
        keyc_read_dial(keyboard, &further->dials[n], lines, keyc_now_us(keyboard));
}
