/* A keyboard and a console in one. See engine_usb_trial.h. */
#include "engine_usb_trial.h"

#define KEYC_CONFIGURATION_HEADER_BYTES 9u
#define KEYC_ASSOCIATION_BYTES 8u
#define KEYC_CONSOLE_INTERFACES 2u
#define KEYC_DESCRIPTOR_INTERFACE 4u
#define KEYC_DESCRIPTOR_OF_CDC 0x24u
#define KEYC_CDC_CALL_MANAGEMENT 1u
#define KEYC_CDC_UNION 6u

/* This device is the first thing in the state that it belongs to. */
static struct keyc_usb_trial *trial_of(const struct keyc_usb *usb)
{
    return (struct keyc_usb_trial *)(uintptr_t)usb->device;
}

static bool is_console(uint32_t pipe)
{
    return (keyc_usb_console.pipes >> pipe & 1u) != 0;
}

/* The console's functions look for its state where those of the keyboard look for theirs. */
static void *take_place(struct keyc_usb *usb, void *state)
{
    void *before = usb->context;
    usb->context = state;
    return before;
}

static void begin(struct keyc_usb *usb)
{
    void *before;
    trial_of(usb)->keys->begin(usb);
    before = take_place(usb, trial_of(usb)->console);
    keyc_usb_console.begin(usb);
    usb->context = before;
}

static bool request(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    uint8_t first = trial_of(usb)->keys->interfaces;
    struct keyc_usb_setup own = *setup;
    void *before;
    bool accepted;
    if (KEYC_USB_RECIPIENT(setup->type) != KEYC_USB_OF_INTERFACE)
        return false;
    if (setup->index < first)
        return trial_of(usb)->keys->request(usb, setup);
    own.index = (uint16_t)(setup->index - first);
    before = take_place(usb, trial_of(usb)->console);
    accepted = keyc_usb_console.request(usb, &own);
    usb->context = before;
    return accepted;
}

static bool request_data(struct keyc_usb *usb, const struct keyc_usb_setup *setup, const uint8_t *bytes,
                         uint32_t length)
{
    void *before;
    bool accepted;
    if (setup->index < trial_of(usb)->keys->interfaces)
        return trial_of(usb)->keys->request_data(usb, setup, bytes, length);
    before = take_place(usb, trial_of(usb)->console);
    accepted = keyc_usb_console.request_data(usb, setup, bytes, length);
    usb->context = before;
    return accepted;
}

static bool ready(struct keyc_usb *usb, uint32_t pipe, const uint8_t **bytes, uint32_t *length)
{
    void *before;
    bool is_ready;
    if (!is_console(pipe))
        return trial_of(usb)->keys->ready(usb, pipe, bytes, length);
    before = take_place(usb, trial_of(usb)->console);
    is_ready = keyc_usb_console.ready(usb, pipe, bytes, length);
    usb->context = before;
    return is_ready;
}

static void done(struct keyc_usb *usb, uint32_t pipe, const uint8_t *bytes, uint32_t length)
{
    void *before;
    if (!is_console(pipe)) {
        trial_of(usb)->keys->done(usb, pipe, bytes, length);
        return;
    }
    before = take_place(usb, trial_of(usb)->console);
    keyc_usb_console.done(usb, pipe, bytes, length);
    usb->context = before;
}

/* The console's descriptors count interfaces from 0; behind the keyboard they begin later. */
static void renumber(uint8_t *descriptor, uint8_t first)
{
    if (descriptor[1] == KEYC_DESCRIPTOR_INTERFACE)
        descriptor[2] = (uint8_t)(descriptor[2] + first);
    if (descriptor[1] != KEYC_DESCRIPTOR_OF_CDC)
        return;
    if (descriptor[2] == KEYC_CDC_UNION)
        descriptor[3] = (uint8_t)(descriptor[3] + first);
    if (descriptor[2] == KEYC_CDC_UNION || descriptor[2] == KEYC_CDC_CALL_MANAGEMENT)
        descriptor[4] = (uint8_t)(descriptor[4] + first);
}

static uint16_t put(uint8_t *to, uint16_t at, const uint8_t *bytes, uint32_t length)
{
    for (uint32_t i = 0; i < length && at < KEYC_USB_TRIAL_CONFIGURATION_BYTES; i++)
        to[at++] = bytes[i];
    return at;
}

void keyc_usb_trial_begin(struct keyc_usb_trial *trial, const struct keyc_usb_device *keys,
                          struct keyc_usb_console *console)
{
    const uint8_t first = keys->interfaces;
    const uint8_t association[KEYC_ASSOCIATION_BYTES] = {
        KEYC_ASSOCIATION_BYTES, 0x0B, first, KEYC_CONSOLE_INTERFACES, 2, 2, 0, 0,
    };
    uint8_t *configuration = trial->configuration;
    uint16_t length = put(configuration, 0, keys->configuration, keys->configuration_length);
    uint16_t at = length = put(configuration, length, association, sizeof association);
    length = put(configuration, length, keyc_usb_console.configuration + KEYC_CONFIGURATION_HEADER_BYTES,
                 keyc_usb_console.configuration_length - KEYC_CONFIGURATION_HEADER_BYTES);
    while (at < length) {
        renumber(configuration + at, first);
        at = (uint16_t)(at + configuration[at]);
    }
    configuration[2] = (uint8_t)(length & 0xFFu);
    configuration[3] = (uint8_t)(length >> 8);
    configuration[4] = (uint8_t)(first + KEYC_CONSOLE_INTERFACES);
    trial->keys = keys;
    trial->console = console;
    trial->device = (struct keyc_usb_device){
        .interfaces = configuration[4],
        .wakes_host = keys->wakes_host,
        .pipes = keys->pipes | keyc_usb_console.pipes,
        .bulk = keyc_usb_console.bulk,
        .configuration = configuration,
        .configuration_length = length,
        .of_class = keys->of_class,
        .begin = begin,
        .request = request,
        .request_data = request_data,
        .ready = ready,
        .done = done,
    };
}
