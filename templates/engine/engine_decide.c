/* Keys that do one thing tapped and another held. */
#include "engine_internal.h"

/* A step looks at about so many events, and at the rest in the next; with more than a few it does nothing else. */
#define KEYC_FEW_EVENTS 3u
#define KEYC_LOOKS_AT_ONCE 16u

static bool keyc_pressed_since(struct keyc_keyboard *keyboard, unsigned before, uint8_t switch_number, unsigned *looks)
{
    for (; --before > 0; ++*looks)
        if (keyc_event_at(keyboard, before)->switch_number == switch_number)
            return true; /* the one before a release is a press */
    return false;
}

/* What the later events, in their order, or the time make of the press. False: nothing yet. What was
 * looked at decided nothing, and needn't be looked at again. */
static bool keyc_look_ahead(struct keyc_keyboard *keyboard, const struct keyc_press *press,
                            const struct keyc_rules *rules, bool *tapped)
{
    uint8_t *looked_at = &keyc_further_of(keyboard)->looked_at;
    unsigned looks = 0;
    for (; *looked_at + 1u < keyboard->event_count; ++looks) {
        unsigned n = *looked_at + 1u;
        const struct keyc_event *event = keyc_event_at(keyboard, n);
        if (event->time_us - press->time_us >= rules->hold_after_us)
            return true;
        if (keyc_is_own(keyboard, press, event->switch_number)) {
            *tapped = !event->pressed;
            if (*tapped)
                return true;
        } else if (event->pressed) {
            if (rules->flags & KEYC_HOLD_IF_ANOTHER_PRESSED)
                return true;
        } else if ((rules->flags & KEYC_HOLD_IF_ANOTHER_TAPPED) &&
                   keyc_pressed_since(keyboard, n, event->switch_number, &looks)) {
            return true;
        }
        *looked_at = (uint8_t)n;
        if (looks >= KEYC_LOOKS_AT_ONCE) {
            keyboard->unfinished = true;
            return false;
        }
    }
    return keyc_wait_is_over(keyboard, press->time_us, rules->hold_after_us);
}

bool keyc_decide(struct keyc_keyboard *keyboard, struct keyc_press *press)
{
    const struct keyc_dual *dual = &keyboard->tables->further->duals[KEYC_VALUE(press->cell)];
    const struct keyc_rules *rules = keyc_rules_of(keyboard, press->switch_number);
    const struct keyc_further *further = keyc_further_of(keyboard);
    bool tapped = true;
    bool repeated = further->tapped == press->by + 1u &&
                    press->time_us - further->tapped_us < rules->repeat_if_tapped_within_us;
    bool typing = further->has_typed && press->time_us - further->typed_us < rules->tap_if_typing_within_us;
    if (!repeated && !typing) {
        tapped = false;
        if (!keyc_look_ahead(keyboard, press, rules, &tapped))
            return false;
    }
    keyboard->unfinished |= keyboard->event_count > KEYC_FEW_EVENTS;
    press->is_tap = tapped;
    press->cell = tapped ? dual->tap : dual->hold;
    return true;
}
