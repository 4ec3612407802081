/* Standard requests, the control pipe, data toggles (USB 2.0, chapters 8 and 9). See engine_usb.h. */
#include "engine_usb.h"

#define KEYC_USB_ALL_ENDPOINTS ((1u << KEYC_USB_ENDPOINTS) - 1u)
#define KEYC_USB_DEVICE_DESCRIPTOR_BYTES 18u
#define KEYC_USB_STRING_MAKER 1u
#define KEYC_USB_STRING_TITLE 2u
#define KEYC_USB_STRING_SERIAL 3u

static const uint8_t keyc_usb_languages[] = {4, KEYC_USB_DESCRIPTOR_STRING, 0x09, 0x04}; /* English, United States */

static uint8_t low_byte(uint16_t value) { return (uint8_t)(value & 0xFFu); }
static uint8_t high_byte(uint16_t value) { return (uint8_t)(value >> 8); }

void keyc_usb_answer(struct keyc_usb *usb, const uint8_t *bytes, uint16_t length) {
    uint16_t wanted = usb->setup.length;
    usb->answer = bytes;
    usb->answer_at = 0;
    usb->answer_left = length < wanted ? length : wanted;
    usb->empty_packet_ends = length < wanted && length % KEYC_USB_PACKET_BYTES == 0;
}

void keyc_usb_answer_copy(struct keyc_usb *usb, const uint8_t *bytes, uint8_t length) {
    uint8_t fits = length < sizeof usb->scratch ? length : (uint8_t)sizeof usb->scratch;
    for (uint8_t i = 0; i < fits; i++)
        usb->scratch[i] = bytes[i];
    keyc_usb_answer(usb, (const uint8_t *)0, fits);
}

bool keyc_usb_is_configured(const struct keyc_usb *usb) { return usb->configuration != 0; }

/* Every endpoint but 0 begins with DATA0, free of halts and of packets under way. */
static void begin_endpoints(struct keyc_usb *usb) {
    usb->in_under_way &= 1u;
    usb->out_armed &= 1u;
    usb->in_data1 &= 1u;
    usb->out_data1 &= 1u;
    usb->in_halted = 0;
    usb->out_halted = 0;
    usb->in_take_back |= KEYC_USB_ALL_ENDPOINTS & ~1u;
    usb->out_take_back |= KEYC_USB_ALL_ENDPOINTS & ~1u;
    usb->device->begin(usb);
}

void keyc_usb_begin(struct keyc_usb *usb, const struct keyc_usb_device *device,
                    const struct keyc_usb_identity *identity, void *context) {
    *usb = (struct keyc_usb){.device = device, .identity = identity, .context = context};
    keyc_usb_bus_reset(usb);
}

void keyc_usb_bus_reset(struct keyc_usb *usb) {
    usb->stage = KEYC_USB_IDLE;
    usb->address = 0;
    usb->next_address = 0;
    usb->configuration = 0;
    usb->suspended = false;
    usb->wake_allowed = false;
    usb->in_under_way = 0;
    usb->out_armed = 0;
    usb->in_take_back = 1;
    usb->out_take_back = 1;
    begin_endpoints(usb);
}

void keyc_usb_suspended(struct keyc_usb *usb, bool suspended) { usb->suspended = suspended; }

static bool string_answered(struct keyc_usb *usb, uint8_t number) {
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

static void device_descriptor_answered(struct keyc_usb *usb) {
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

static bool descriptor_answered(struct keyc_usb *usb, const struct keyc_usb_setup *setup) {
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

static bool for_device(struct keyc_usb *usb, const struct keyc_usb_setup *setup) {
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
        begin_endpoints(usb);
        return true;
    default:
        return false;
    }
}

static bool for_interface(struct keyc_usb *usb, const struct keyc_usb_setup *setup) {
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

static bool for_endpoint(struct keyc_usb *usb, const struct keyc_usb_setup *setup) {
    uint8_t endpoint = setup->index & 0x0Fu;
    bool to_host = (setup->index & KEYC_USB_TO_HOST) != 0;
    uint8_t bit, exists;
    uint8_t *halted = to_host ? &usb->in_halted : &usb->out_halted;
    if ((setup->index & ~0x8Fu) != 0 || endpoint >= KEYC_USB_ENDPOINTS)
        return false;
    bit = (uint8_t)(1u << endpoint);
    exists = to_host ? usb->device->in_endpoints : usb->device->out_endpoints;
    if (endpoint != 0 && (!(exists & bit) || !keyc_usb_is_configured(usb)))
        return false;
    switch (setup->request) {
    case KEYC_USB_GET_STATUS: {
        const uint8_t status[2] = {(*halted & bit) ? 1 : 0, 0};
        keyc_usb_answer_copy(usb, status, sizeof status);
        return true;
    }
    case KEYC_USB_SET_FEATURE:
    case KEYC_USB_CLEAR_FEATURE:
        if (setup->value != KEYC_USB_FEATURE_ENDPOINT_HALT)
            return false;
        if (endpoint == 0) /* the control pipe heals itself with the next SETUP (9.4.5) */
            return true;
        if (setup->request == KEYC_USB_SET_FEATURE)
            *halted |= bit;
        else
            *halted &= (uint8_t)~bit;
        /* Both begin again with DATA0; a packet under way is offered again afterwards. */
        if (to_host) {
            usb->in_under_way &= (uint8_t)~bit;
            usb->in_data1 &= (uint8_t)~bit;
            usb->in_take_back |= bit;
        } else {
            usb->out_armed &= (uint8_t)~bit;
            usb->out_data1 &= (uint8_t)~bit;
            usb->out_take_back |= bit;
        }
        return true;
    default:
        return false;
    }
}

static bool accepted(struct keyc_usb *usb, const struct keyc_usb_setup *setup) {
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

void keyc_usb_setup(struct keyc_usb *usb, const uint8_t packet[8]) {
    struct keyc_usb_setup *setup = &usb->setup;
    bool to_host = (packet[0] & KEYC_USB_TO_HOST) != 0;
    setup->type = packet[0];
    setup->request = packet[1];
    setup->value = (uint16_t)(packet[2] | packet[3] << 8);
    setup->index = (uint16_t)(packet[4] | packet[5] << 8);
    setup->length = (uint16_t)(packet[6] | packet[7] << 8);

    /* A SETUP ends whatever the control pipe was doing (USB 2.0, 8.5.3.4). The chip keeps buffers of
     * endpoint 0 armed across a SETUP, so they are taken back here. */
    usb->in_under_way &= (uint8_t)~1u;
    usb->out_armed &= (uint8_t)~1u;
    usb->in_take_back |= 1u;
    usb->out_take_back |= 1u;
    usb->in_data1 |= 1u;
    usb->out_data1 |= 1u;
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

static uint8_t control_packet_length(const struct keyc_usb *usb) {
    return (uint8_t)(usb->answer_left < KEYC_USB_PACKET_BYTES ? usb->answer_left : KEYC_USB_PACKET_BYTES);
}

static void control_in_done(struct keyc_usb *usb) {
    uint8_t length;
    if (usb->stage == KEYC_USB_STATUS_TO_HOST) {
        usb->address = usb->next_address;
        usb->stage = KEYC_USB_IDLE;
        return;
    }
    if (usb->stage != KEYC_USB_DATA_TO_HOST)
        return;
    length = control_packet_length(usb);
    usb->in_data1 ^= 1u;
    usb->answer_left = (uint16_t)(usb->answer_left - length);
    usb->answer_at = (uint16_t)(usb->answer_at + length);
    usb->all_sent = length < KEYC_USB_PACKET_BYTES || (usb->answer_left == 0 && !usb->empty_packet_ends);
}

void keyc_usb_in_done(struct keyc_usb *usb, uint8_t endpoint) {
    uint8_t bit = (uint8_t)(1u << endpoint);
    if (endpoint >= KEYC_USB_ENDPOINTS || !(usb->in_under_way & bit))
        return;
    usb->in_under_way &= (uint8_t)~bit;
    if (endpoint == 0) {
        control_in_done(usb);
        return;
    }
    usb->in_data1 ^= bit;
    usb->device->packet_sent(usb, endpoint);
}

static void control_out_done(struct keyc_usb *usb, const uint8_t *bytes, uint8_t length) {
    if (usb->stage == KEYC_USB_DATA_TO_HOST) { /* the host's status stage, early or not (8.5.3.1) */
        usb->stage = KEYC_USB_IDLE;
        usb->in_under_way &= (uint8_t)~1u;
        usb->in_take_back |= 1u;
        return;
    }
    if (usb->stage != KEYC_USB_DATA_FROM_HOST)
        return;
    usb->out_data1 ^= 1u;
    for (uint8_t i = 0; i < length && usb->received < sizeof usb->scratch; i++)
        usb->scratch[usb->received++] = bytes[i];
    if (usb->received >= usb->setup.length || length < KEYC_USB_PACKET_BYTES)
        usb->stage = usb->device->request_data(usb, &usb->setup, usb->scratch, usb->received)
                         ? KEYC_USB_STATUS_TO_HOST
                         : KEYC_USB_STALLED;
}

void keyc_usb_out_done(struct keyc_usb *usb, uint8_t endpoint, const uint8_t *bytes, uint8_t length) {
    uint8_t bit = (uint8_t)(1u << endpoint);
    if (endpoint >= KEYC_USB_ENDPOINTS || !(usb->out_armed & bit))
        return;
    usb->out_armed &= (uint8_t)~bit;
    if (endpoint == 0) {
        control_out_done(usb, bytes, length);
        return;
    }
    usb->out_data1 ^= bit;
    usb->device->packet_came(usb, endpoint, bytes, length);
}

void keyc_usb_take_back(struct keyc_usb *usb, uint8_t *in_endpoints, uint8_t *out_endpoints) {
    *in_endpoints = usb->in_take_back;
    *out_endpoints = usb->out_take_back;
    usb->in_take_back = 0;
    usb->out_take_back = 0;
}

static enum keyc_usb_next control_in(struct keyc_usb *usb, struct keyc_usb_packet *packet) {
    static const uint8_t empty[1];
    if (usb->stage == KEYC_USB_STALLED)
        return KEYC_USB_STALL;
    if (usb->in_under_way & 1u)
        return KEYC_USB_NOTHING;
    packet->data1 = (usb->in_data1 & 1u) != 0;
    packet->bytes = empty;
    packet->length = 0;
    if (usb->stage == KEYC_USB_DATA_TO_HOST) {
        if (usb->all_sent)
            return KEYC_USB_NOTHING;
        packet->length = control_packet_length(usb);
        if (packet->length)
            packet->bytes = (usb->answer ? usb->answer : usb->scratch) + usb->answer_at;
    } else if (usb->stage != KEYC_USB_STATUS_TO_HOST) {
        return KEYC_USB_NOTHING;
    }
    usb->in_under_way |= 1u;
    return KEYC_USB_PACKET;
}

/* An endpoint to the host, other than 0, that the configuration has switched on. */
static bool sends(const struct keyc_usb *usb, uint8_t bit) {
    return keyc_usb_is_configured(usb) && (usb->device->in_endpoints & bit) != 0;
}

bool keyc_usb_has_packet(struct keyc_usb *usb, uint8_t endpoint) {
    uint8_t bit = (uint8_t)(1u << endpoint);
    const uint8_t *bytes;
    uint8_t length;
    return sends(usb, bit) && !(usb->in_halted & bit) && !(usb->in_under_way & bit) &&
           usb->device->next_packet(usb, endpoint, &bytes, &length);
}

enum keyc_usb_next keyc_usb_in(struct keyc_usb *usb, uint8_t endpoint, struct keyc_usb_packet *packet) {
    uint8_t bit = (uint8_t)(1u << endpoint);
    if (endpoint == 0)
        return control_in(usb, packet);
    if (!sends(usb, bit))
        return KEYC_USB_NOTHING;
    if (usb->in_halted & bit)
        return KEYC_USB_STALL;
    if (usb->in_under_way & bit || !usb->device->next_packet(usb, endpoint, &packet->bytes, &packet->length))
        return KEYC_USB_NOTHING;
    packet->data1 = (usb->in_data1 & bit) != 0;
    usb->in_under_way |= bit;
    return KEYC_USB_PACKET;
}

enum keyc_usb_next keyc_usb_out(struct keyc_usb *usb, uint8_t endpoint, bool *data1) {
    uint8_t bit = (uint8_t)(1u << endpoint);
    if (endpoint == 0) {
        if (usb->stage == KEYC_USB_STALLED)
            return KEYC_USB_STALL;
        if (usb->stage != KEYC_USB_DATA_TO_HOST && usb->stage != KEYC_USB_DATA_FROM_HOST)
            return KEYC_USB_NOTHING;
    } else {
        if (!keyc_usb_is_configured(usb) || !(usb->device->out_endpoints & bit))
            return KEYC_USB_NOTHING;
        if (usb->out_halted & bit)
            return KEYC_USB_STALL;
        if (!usb->device->has_room(usb, endpoint))
            return KEYC_USB_NOTHING;
    }
    if (usb->out_armed & bit)
        return KEYC_USB_NOTHING;
    *data1 = (usb->out_data1 & bit) != 0;
    usb->out_armed |= bit;
    return KEYC_USB_PACKET;
}
