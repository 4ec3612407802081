/* Standard requests, the control pipe, data toggles (USB 2.0, chapters 8 and 9). See engine_usb.h. */
#include "engine_usb.h"

#define KEYC_USB_ALL_PIPES ((1u << KEYC_USB_PIPES) - 1u)
#define KEYC_USB_CONTROL_IN (1u << KEYC_USB_PIPE_TO_HOST(0u))
#define KEYC_USB_DEVICE_DESCRIPTOR_BYTES 18u
#define KEYC_USB_STRING_MAKER 1u
#define KEYC_USB_STRING_TITLE 2u
#define KEYC_USB_STRING_SERIAL 3u

/* English, United States: what every host asks for. */
static const uint8_t keyc_usb_languages[] = {4, KEYC_USB_DESCRIPTOR_STRING, 0x09, 0x04};

static uint8_t low_byte(uint16_t value)
{
    return (uint8_t)(value & 0xFFu);
}
static uint8_t high_byte(uint16_t value)
{
    return (uint8_t)(value >> 8);
}

void keyc_usb_answer(struct keyc_usb *usb, const uint8_t *bytes, uint32_t length)
{
    uint32_t wanted = usb->setup.length;
    usb->answer = bytes;
    usb->answer_at = 0;
    usb->answer_left = length < wanted ? length : wanted;
    usb->empty_packet_ends = length < wanted && length % KEYC_USB_PACKET_BYTES == 0;
}

void keyc_usb_answer_copy(struct keyc_usb *usb, const uint8_t *bytes, uint32_t length)
{
    uint32_t fits = length < sizeof usb->scratch ? length : sizeof usb->scratch;
    for (uint32_t i = 0; i < fits; i++)
        usb->scratch[i] = bytes[i];
    keyc_usb_answer(usb, (const uint8_t *)0, fits);
}

bool keyc_usb_is_configured(const struct keyc_usb *usb)
{
    return usb->configuration != 0;
}

/* Every pipe but those of endpoint 0 begins with DATA0, free of halts and of packets under way. */
static void begin_pipes(struct keyc_usb *usb)
{
    usb->under_way &= KEYC_USB_CONTROL_PIPES;
    usb->data1 &= KEYC_USB_CONTROL_PIPES;
    usb->halted = 0;
    usb->take_back |= KEYC_USB_ALL_PIPES & ~KEYC_USB_CONTROL_PIPES;
    usb->device->begin(usb);
}

void keyc_usb_begin(struct keyc_usb *usb, const struct keyc_usb_device *device,
                    const struct keyc_usb_identity *identity, void *context)
{
    *usb = (struct keyc_usb){.device = device, .identity = identity, .context = context};
    keyc_usb_bus_reset(usb);
}

void keyc_usb_bus_reset(struct keyc_usb *usb)
{
    usb->stage = KEYC_USB_IDLE;
    usb->address = 0;
    usb->next_address = 0;
    usb->configuration = 0;
    usb->suspended = false;
    usb->wake_allowed = false;
    usb->under_way = 0;
    usb->take_back = KEYC_USB_CONTROL_PIPES;
    begin_pipes(usb);
}

void keyc_usb_suspended(struct keyc_usb *usb, bool suspended)
{
    usb->suspended = suspended;
}

static bool string_answered(struct keyc_usb *usb, uint8_t number)
{
    const struct keyc_usb_identity *identity = usb->identity;
    const uint8_t *text = number == 0                        ? keyc_usb_languages
                          : number == KEYC_USB_STRING_MAKER  ? identity->maker
                          : number == KEYC_USB_STRING_TITLE  ? identity->title
                          : number == KEYC_USB_STRING_SERIAL ? identity->serial
                                                             : (const uint8_t *)0;
    if (!text)
        return false;
    keyc_usb_answer(usb, text, text[0]);
    return true;
}

static void device_descriptor_answered(struct keyc_usb *usb)
{
    const struct keyc_usb_identity *identity = usb->identity;
    const struct keyc_usb_device *device = usb->device;
    const uint8_t descriptor[KEYC_USB_DEVICE_DESCRIPTOR_BYTES] = {
        KEYC_USB_DEVICE_DESCRIPTOR_BYTES,
        KEYC_USB_DESCRIPTOR_DEVICE,
        0x00, 0x02, /* USB 2.0 */
        device->device_class,
        device->device_subclass,
        device->device_protocol,
        KEYC_USB_PACKET_BYTES,
        low_byte(identity->vendor), high_byte(identity->vendor),
        low_byte(identity->product), high_byte(identity->product),
        low_byte(identity->device_version), high_byte(identity->device_version),
        identity->maker ? KEYC_USB_STRING_MAKER : 0,
        identity->title ? KEYC_USB_STRING_TITLE : 0,
        identity->serial ? KEYC_USB_STRING_SERIAL : 0,
        1, /* configurations */
    };
    keyc_usb_answer_copy(usb, descriptor, sizeof descriptor);
}

static bool descriptor_answered(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    uint8_t number = low_byte(setup->value);
    switch (high_byte(setup->value)) {
    case KEYC_USB_DESCRIPTOR_DEVICE:
        device_descriptor_answered(usb);
        return number == 0;
    case KEYC_USB_DESCRIPTOR_CONFIGURATION:
        keyc_usb_answer(usb, usb->device->configuration, usb->device->configuration_length);
        return number == 0;
    case KEYC_USB_DESCRIPTOR_STRING:
        return string_answered(usb, number);
    default: /* also the device qualifier: a full-speed device has none (USB 2.0, 9.6.2) */
        return false;
    }
}

static bool for_device(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    switch (setup->request) {
    case KEYC_USB_GET_STATUS: {
        const uint8_t status[2] = {usb->wake_allowed ? 2 : 0, 0};
        keyc_usb_answer_copy(usb, status, sizeof status);
        return true;
    }
    case KEYC_USB_SET_FEATURE:
    case KEYC_USB_CLEAR_FEATURE:
        if (setup->value != KEYC_USB_FEATURE_REMOTE_WAKEUP || !usb->device->wakes_host)
            return false;
        usb->wake_allowed = setup->request == KEYC_USB_SET_FEATURE;
        return true;
    case KEYC_USB_SET_ADDRESS:
        if (setup->value > 127 || setup->index != 0 || setup->length != 0)
            return false;
        usb->next_address = low_byte(setup->value); /* taken once the status stage is over (9.4.6) */
        return true;
    case KEYC_USB_GET_DESCRIPTOR:
        return descriptor_answered(usb, setup);
    case KEYC_USB_GET_CONFIGURATION:
        keyc_usb_answer_copy(usb, &usb->configuration, 1);
        return true;
    case KEYC_USB_SET_CONFIGURATION:
        if (setup->value > 1)
            return false;
        usb->configuration = low_byte(setup->value);
        begin_pipes(usb);
        return true;
    default:
        return false;
    }
}

static bool for_interface(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    static const uint8_t zeros[2];
    if (setup->index >= usb->device->interfaces)
        return false;
    if (setup->request == KEYC_USB_GET_DESCRIPTOR) /* a class's own: HID 1.11, 7.1.1 */
        return usb->device->request(usb, setup);
    if (!keyc_usb_is_configured(usb))
        return false;
    switch (setup->request) {
    case KEYC_USB_GET_STATUS:
        keyc_usb_answer_copy(usb, zeros, 2);
        return true;
    case KEYC_USB_GET_INTERFACE: /* each interface has one setting */
        keyc_usb_answer_copy(usb, zeros, 1);
        return true;
    case KEYC_USB_SET_INTERFACE:
        return setup->value == 0;
    default:
        return false;
    }
}

static bool for_endpoint(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    uint32_t endpoint = setup->index & 0x0Fu;
    uint32_t pipe = setup->index & KEYC_USB_TO_HOST ? KEYC_USB_PIPE_TO_HOST(endpoint)
                                                    : KEYC_USB_PIPE_FROM_HOST(endpoint);
    uint32_t bit = 1u << pipe;
    uint32_t pipes = KEYC_USB_CONTROL_PIPES | (keyc_usb_is_configured(usb) ? usb->device->pipes : 0u);
    if ((setup->index & ~0x8Fu) != 0 || !(pipes & bit))
        return false;
    if (setup->request == KEYC_USB_GET_STATUS) {
        const uint8_t status[2] = {(usb->halted & bit) ? 1 : 0, 0};
        keyc_usb_answer_copy(usb, status, sizeof status);
        return true;
    }
    if ((setup->request != KEYC_USB_SET_FEATURE && setup->request != KEYC_USB_CLEAR_FEATURE) ||
        setup->value != KEYC_USB_FEATURE_ENDPOINT_HALT)
        return false;
    bit &= ~KEYC_USB_CONTROL_PIPES; /* the control pipe heals itself with the next SETUP (9.4.5) */
    /* Both ways it begins again with DATA0; a packet under way is offered again afterwards. */
    usb->halted = setup->request == KEYC_USB_SET_FEATURE ? usb->halted | bit : usb->halted & ~bit;
    usb->under_way &= ~bit;
    usb->data1 &= ~bit;
    usb->take_back |= bit;
    return true;
}

static bool accepted(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    if (KEYC_USB_KIND(setup->type) != KEYC_USB_STANDARD)
        return keyc_usb_is_configured(usb) && usb->device->request(usb, setup);
    switch (KEYC_USB_RECIPIENT(setup->type)) {
    case KEYC_USB_OF_DEVICE:
        return for_device(usb, setup);
    case KEYC_USB_OF_INTERFACE:
        return for_interface(usb, setup);
    case KEYC_USB_OF_ENDPOINT:
        return for_endpoint(usb, setup);
    default:
        return false;
    }
}

void keyc_usb_setup(struct keyc_usb *usb, const uint8_t packet[8])
{
    struct keyc_usb_setup *setup = &usb->setup;
    bool to_host = (packet[0] & KEYC_USB_TO_HOST) != 0;
    setup->type = packet[0];
    setup->request = packet[1];
    setup->value = (uint16_t)(packet[2] | packet[3] << 8);
    setup->index = (uint16_t)(packet[4] | packet[5] << 8);
    setup->length = (uint16_t)(packet[6] | packet[7] << 8);

    /* A SETUP ends whatever the control pipe was doing (USB 2.0, 8.5.3.4). The chip keeps buffers of
     * endpoint 0 armed across a SETUP, so they are taken back here. */
    usb->under_way &= ~KEYC_USB_CONTROL_PIPES;
    usb->take_back |= KEYC_USB_CONTROL_PIPES;
    usb->data1 |= KEYC_USB_CONTROL_PIPES;
    usb->next_address = usb->address;
    usb->received = 0;
    usb->answer_left = 0;
    usb->empty_packet_ends = false;
    usb->all_sent = false;

    if (!to_host && setup->length > sizeof usb->scratch) {
        usb->stage = KEYC_USB_STALLED;
    } else if (!accepted(usb, setup)) {
        usb->stage = KEYC_USB_STALLED;
    } else if (setup->length == 0) {
        usb->stage = KEYC_USB_STATUS_TO_HOST;
    } else if (to_host) {
        usb->stage = KEYC_USB_DATA_TO_HOST;
    } else if (KEYC_USB_KIND(setup->type) == KEYC_USB_STANDARD) {
        usb->stage = KEYC_USB_STALLED; /* no standard request that we know sends data */
    } else {
        usb->stage = KEYC_USB_DATA_FROM_HOST;
    }
}

static uint32_t control_packet_length(const struct keyc_usb *usb)
{
    return usb->answer_left < KEYC_USB_PACKET_BYTES ? usb->answer_left : KEYC_USB_PACKET_BYTES;
}

static void control_sent(struct keyc_usb *usb)
{
    uint32_t length = control_packet_length(usb);
    if (usb->stage == KEYC_USB_STATUS_TO_HOST) {
        usb->address = usb->next_address;
        usb->stage = KEYC_USB_IDLE;
    }
    usb->answer_left -= length;
    usb->answer_at += length;
    usb->all_sent = length < KEYC_USB_PACKET_BYTES || (usb->answer_left == 0 && !usb->empty_packet_ends);
}

static void control_came(struct keyc_usb *usb, const uint8_t *bytes, uint32_t length)
{
    if (usb->stage == KEYC_USB_DATA_TO_HOST) { /* the host's status stage, early or not (8.5.3.1) */
        usb->stage = KEYC_USB_IDLE;
        usb->under_way &= ~KEYC_USB_CONTROL_IN;
        usb->take_back |= KEYC_USB_CONTROL_IN;
        return;
    }
    if (usb->stage != KEYC_USB_DATA_FROM_HOST)
        return;
    for (uint32_t i = 0; i < length && usb->received < sizeof usb->scratch; i++)
        usb->scratch[usb->received++] = bytes[i];
    if (usb->received >= usb->setup.length || length < KEYC_USB_PACKET_BYTES)
        usb->stage = usb->device->request_data(usb, &usb->setup, usb->scratch, usb->received)
                         ? KEYC_USB_STATUS_TO_HOST
                         : KEYC_USB_STALLED;
}

void keyc_usb_done(struct keyc_usb *usb, uint32_t pipe, const uint8_t *bytes, uint32_t length)
{
    uint32_t bit = 1u << pipe;
    if (!(usb->under_way & bit))
        return;
    usb->under_way &= ~bit;
    usb->data1 ^= bit;
    if (pipe == KEYC_USB_PIPE_TO_HOST(0u))
        control_sent(usb);
    else if (pipe == KEYC_USB_PIPE_FROM_HOST(0u))
        control_came(usb, bytes, length);
    else
        usb->device->done(usb, pipe, bytes, length);
}

uint32_t keyc_usb_take_back(struct keyc_usb *usb)
{
    uint32_t pipes = usb->take_back;
    usb->take_back = 0;
    return pipes;
}

static enum keyc_usb_next control_next(const struct keyc_usb *usb, uint32_t pipe,
                                       struct keyc_usb_packet *packet)
{
    if (usb->stage == KEYC_USB_STALLED)
        return KEYC_USB_STALL;
    if (pipe == KEYC_USB_PIPE_FROM_HOST(0u)) /* data, or the host's status stage, which may come early */
        return usb->stage == KEYC_USB_DATA_TO_HOST || usb->stage == KEYC_USB_DATA_FROM_HOST
                   ? KEYC_USB_PACKET
                   : KEYC_USB_NOTHING;
    packet->length = 0;
    if (usb->stage == KEYC_USB_STATUS_TO_HOST)
        return KEYC_USB_PACKET;
    if (usb->stage != KEYC_USB_DATA_TO_HOST || usb->all_sent)
        return KEYC_USB_NOTHING;
    packet->bytes = (usb->answer ? usb->answer : usb->scratch) + usb->answer_at;
    packet->length = control_packet_length(usb);
    return KEYC_USB_PACKET;
}

static enum keyc_usb_next next_of(struct keyc_usb *usb, uint32_t pipe, struct keyc_usb_packet *packet)
{
    uint32_t bit = 1u << pipe;
    packet->length = KEYC_USB_PACKET_BYTES;
    packet->data1 = (usb->data1 & bit) != 0;
    if (usb->under_way & bit)
        return KEYC_USB_NOTHING;
    if (bit & KEYC_USB_CONTROL_PIPES)
        return control_next(usb, pipe, packet);
    if (!keyc_usb_is_configured(usb) || !(usb->device->pipes & bit))
        return KEYC_USB_NOTHING;
    if (usb->halted & bit)
        return KEYC_USB_STALL;
    if (!usb->device->ready(usb, pipe, &packet->bytes, &packet->length))
        return KEYC_USB_NOTHING;
    return KEYC_USB_PACKET;
}

enum keyc_usb_next keyc_usb_next(struct keyc_usb *usb, uint32_t pipe, struct keyc_usb_packet *packet)
{
    enum keyc_usb_next next = next_of(usb, pipe, packet);
    if (next == KEYC_USB_PACKET)
        usb->under_way |= 1u << pipe;
    return next;
}

bool keyc_usb_has_packet(struct keyc_usb *usb, uint32_t pipe)
{
    struct keyc_usb_packet packet;
    return next_of(usb, pipe, &packet) == KEYC_USB_PACKET;
}
