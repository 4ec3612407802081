/* Pins: inputs with a pull, or driven low at 2 mA and slow slew. The output level of every pin is 0
 * from the first instruction here on; only the output enable changes, so none is ever driven high but
 * those that the keymap calls lights (in the bench image rp2040_quick.h does that, pulse by pulse). */
#include "rp2040.h"

#define KEYC_INPUT_PULLED_UP (KEYC_PAD_INPUT | KEYC_PAD_PULL_UP | KEYC_PAD_SCHMITT)
#define KEYC_INPUT_PULLED_DOWN (KEYC_PAD_INPUT | KEYC_PAD_PULL_DOWN | KEYC_PAD_SCHMITT)
#define KEYC_PULL_DOWN_SETTLE_US 100u

static void set_pins(uint32_t lines, uint32_t pad)
{
    for (uint32_t gpio = 0; gpio < KEYC_GPIO_COUNT; gpio++)
        if (lines >> gpio & 1u) {
            KEYC_AT(KEYC_PAD(gpio)) = pad;
            KEYC_AT(KEYC_IO_CTRL(gpio)) = KEYC_IO_FUNCTION_SIO;
        }
}

void keyc_rp2040_pins_begin(uint32_t lines)
{
    KEYC_AT(KEYC_SIO_OUT) = 0;
    keyc_rp2040_pull_down(0, lines);
}

void keyc_rp2040_pull_down(uint32_t lines, uint32_t others)
{
    KEYC_AT(KEYC_SIO_OE) = 0;
    set_pins(lines, KEYC_INPUT_PULLED_DOWN);
    set_pins(others, KEYC_INPUT_PULLED_UP);
}

uint32_t keyc_rp2040_held_high(uint32_t lines)
{
    uint32_t high;
    keyc_rp2040_pull_down(lines, 0);
    keyc_rp2040_wait_us(KEYC_PULL_DOWN_SETTLE_US);
    high = keyc_rp2040_read_levels() & lines;
    keyc_rp2040_pull_down(0, lines);
    keyc_rp2040_wait_us(KEYC_PULL_DOWN_SETTLE_US);
    return high;
}

/* The overrides of the pin's own multiplexer, so that scanning doesn't touch it. */
void keyc_rp2040_set_light(uint32_t gpio, bool high)
{
    KEYC_AT(KEYC_PAD(gpio)) = 0;
    KEYC_AT(KEYC_IO_CTRL(gpio)) =
        KEYC_IO_FUNCTION_SIO | KEYC_IO_OUTPUT_ENABLED | (high ? KEYC_IO_OUTPUT_HIGH : KEYC_IO_OUTPUT_LOW);
}

/* A level and not an edge: an edge would be lost on a line that a held key keeps low already. */
void keyc_rp2040_wake_on(uint32_t low, uint32_t high)
{
    uint32_t enabled = 0;
    for (uint32_t gpio = KEYC_PINS_IN_A_WORD * 4u; gpio-- > 0;) { /* from the top: a word's first pin is last */
        enabled = enabled << 4 | (low >> gpio & 1u) * KEYC_IO_LEVEL_LOW | (high >> gpio & 1u) * KEYC_IO_LEVEL_HIGH;
        if (gpio % KEYC_PINS_IN_A_WORD == 0)
            KEYC_AT(KEYC_IO_INTE(gpio / KEYC_PINS_IN_A_WORD)) = enabled;
    }
    if (low | high)
        KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_IO_BANK0;
}

/* The level stays, so the interrupt is put away until the main program arms it again. An image that tells
 * edges has a handler of its own (rp2040_edges.c). */
__attribute__((weak)) void keyc_rp2040_io_handler(void)
{
    KEYC_AT(KEYC_NVIC_ICER) = 1u << KEYC_INTERRUPT_IO_BANK0;
    keyc_rp2040_wake();
}
