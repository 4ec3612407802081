/* Keys that count their taps. */
#include "engine_internal.h"

/* The press of the last tap that counts takes the place of the first: what lies between leaves the
 * queue. */
static void keyc_take_out_taps(struct keyc_keyboard *keyboard, uint8_t switch_number, unsigned last)
{
    for (unsigned n = last; n > 0; --n)
        if (keyc_event_at(keyboard, n)->switch_number == switch_number)
            keyc_take_out(keyboard, n);
}

bool keyc_count_taps(struct keyc_keyboard *keyboard, struct keyc_press *press)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    const struct keyc_taps *taps = &further->taps[KEYC_VALUE(press->cell)];
    uint32_t within_us = keyc_rules_of(keyboard, press->switch_number)->taps_within_us;
    unsigned count = 1, last = 0;
    bool decided = false;
    for (unsigned n = 1; n < keyboard->event_count && !decided; ++n) {
        const struct keyc_event *event = keyc_event_at(keyboard, n);
        if (event->time_us - press->typed_us >= within_us) {
            decided = true;
        } else if (event->pressed) {
            decided = event->switch_number != press->switch_number;
            if (!decided) {
                last = n;
                press->typed_us = event->time_us;
                decided = ++count == taps->count;
            }
        }
    }
    if (!decided && !keyc_wait_is_over(keyboard, press->typed_us, within_us))
        return false;
    press->cell = further->tap_cells[taps->first + count - 1u];
    keyc_take_out_taps(keyboard, press->switch_number, last);
    return true;
}
