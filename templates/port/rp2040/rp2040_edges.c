/* Edges of lines, each with the microsecond in which it came. */
#include "rp2040.h"

#define KEYC_EDGES (KEYC_IO_EDGE_LOW | KEYC_IO_EDGE_HIGH)
#define KEYC_AFTER_THE_OTHERS 0xC0u /* a priority; after a reset every interrupt has 0, the first */

static uint32_t watched, told; /* lines; their levels as they were told last */
static void (*tell)(uint32_t gpio, bool high, uint32_t time_us);

static void enable_edges_of(uint32_t lines)
{
    uint32_t enabled = 0;
    for (uint32_t gpio = KEYC_PINS_IN_A_WORD * 4u; gpio-- > 0;) { /* from the top: a word's first pin is last */
        enabled = enabled << 4 | (lines >> gpio & 1u) * KEYC_EDGES;
        if (gpio % KEYC_PINS_IN_A_WORD == 0) {
            KEYC_AT(KEYC_IO_INTR(gpio / KEYC_PINS_IN_A_WORD)) = ~0u;
            KEYC_AT(KEYC_IO_INTE(gpio / KEYC_PINS_IN_A_WORD)) = enabled;
        }
    }
}

void keyc_rp2040_edges_begin(uint32_t lines, void (*edge)(uint32_t gpio, bool high, uint32_t time_us))
{
    keyc_rp2040_edges_end();
    KEYC_AT(KEYC_NVIC_IPR(KEYC_INTERRUPT_USB)) = KEYC_AFTER_THE_OTHERS << 8u * (KEYC_INTERRUPT_USB & 3u);
    watched = lines;
    tell = edge;
    enable_edges_of(lines);
    told = keyc_rp2040_read_levels();
    KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_IO_BANK0;
}

void keyc_rp2040_edges_end(void)
{
    if (!watched)
        return;
    KEYC_AT(KEYC_NVIC_ICER) = 1u << KEYC_INTERRUPT_IO_BANK0;
    __asm__ volatile("dsb\n isb" ::: "memory");
    enable_edges_of(0);
    watched = 0;
}

static void tell_one(uint32_t gpio, uint32_t came, uint32_t levels, uint32_t now_us)
{
    bool was_high = told >> gpio & 1u, is_high = levels >> gpio & 1u;
    if (was_high != is_high) {
        tell(gpio, is_high, now_us);
        told ^= 1u << gpio;
    } else if ((came & KEYC_EDGES) == KEYC_EDGES) { /* there and back again */
        tell(gpio, !was_high, now_us);
        tell(gpio, was_high, now_us);
    }
}

/* An edge between putting the latches away and reading the levels is latched anew, and told already. */
void keyc_rp2040_io_handler(void)
{
    uint32_t now_us = keyc_rp2040_now_us();
    for (uint32_t word = 0; word < (KEYC_GPIO_COUNT + KEYC_PINS_IN_A_WORD - 1u) / KEYC_PINS_IN_A_WORD; word++) {
        uint32_t came = KEYC_AT(KEYC_IO_INTS(word)), levels;
        if (!came)
            continue;
        KEYC_AT(KEYC_IO_INTR(word)) = came;
        levels = keyc_rp2040_read_levels();
        for (uint32_t gpio = word * KEYC_PINS_IN_A_WORD; came; gpio++, came >>= 4)
            if (came & KEYC_EDGES)
                tell_one(gpio, came, levels, now_us);
    }
    keyc_rp2040_wake();
}
