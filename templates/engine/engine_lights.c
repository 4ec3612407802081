/* Indicators: the host's, and those that show a layer. */
#include "engine_internal.h"

void keyc_show_lights(struct keyc_keyboard *keyboard)
{
    const struct keyc_further_tables *further = keyboard->tables->further;
    struct keyc_further *state = keyc_further_of(keyboard);
    uint32_t on[KEYC_SET_WORDS];
    keyc_layers_on(keyboard, on);
    keyc_put_in(on, keyboard->bottom);
    for (unsigned n = 0; n < further->light_count; ++n) {
        const struct keyc_light *light = &further->lights[n];
        bool lit = light->indicator ? (state->host_lights >> (light->indicator - 1u)) & 1u : keyc_is_in(on, light->layer);
        if (state->lights_begun && lit == ((state->lit >> n) & 1u))
            continue;
        state->lit ^= (state->lit ^ (lit ? keyc_bit(n) : 0u)) & keyc_bit(n);
        keyboard->port->port_set_light(keyboard->port->context, light->pin, lit != light->lit_low);
    }
    state->lights_begun = true;
}
