/* Descriptors, HID requests and reports of the keyboard. See engine_usb_keys.h. */
#include "engine_usb_keys.h"

#include "keyc_engine.h"

#define KEYC_HID 0x21u
#define KEYC_HID_REPORT 0x22u
#define KEYC_HID_GET_REPORT 1u
#define KEYC_HID_GET_IDLE 2u
#define KEYC_HID_GET_PROTOCOL 3u
#define KEYC_HID_SET_REPORT 9u
#define KEYC_HID_SET_IDLE 10u
#define KEYC_HID_SET_PROTOCOL 11u
#define KEYC_HID_INPUT 1u
#define KEYC_HID_OUTPUT 2u

#define KEYC_FIRST_INTERFACE 0u
#define KEYC_SECOND_INTERFACE 1u
#define KEYC_FIRST_ENDPOINT 1u
#define KEYC_SECOND_ENDPOINT 2u
#define KEYC_FIRST_PIPE KEYC_USB_PIPE_TO_HOST(KEYC_FIRST_ENDPOINT)
#define KEYC_SECOND_PIPE KEYC_USB_PIPE_TO_HOST(KEYC_SECOND_ENDPOINT)
#define KEYC_IDLE_OF_A_KEYBOARD 125u /* 500 ms (HID 1.11, 7.2.4) */
#define KEYC_LIGHTS_MASK 0x1Fu

static const uint8_t keyc_hid_keyboard_reports[] = {
    0x05, 0x01, 0x09, 0x06, 0xA1, 0x01,             /* Generic Desktop: Keyboard, application */
    0x05, 0x07, 0x15, 0x00, 0x25, 0x01, 0x75, 0x01, /* Keyboard page, single bits */
    0x19, 0xE0, 0x29, 0xE7, 0x95, 0x08, 0x81, 0x02, /* eight modifiers */
    0x95, 0x38, 0x81, 0x03,                         /* bytes 1 to 7 of the boot report: padding here */
    0x19, 0x00, 0x29, 0xDF, 0x95, 0xE0, 0x81, 0x02, /* a bit for each usage 0x00 to 0xDF */
    0x05, 0x08, 0x19, 0x01, 0x29, 0x05, 0x95, 0x05, 0x91, 0x02, /* five indicators */
    0x95, 0x03, 0x91, 0x03,                                     /* and their padding */
    0xC0,
};

#define KEYC_HID_CONTROLS                                                                                \
    0x05, 0x0C, 0x09, 0x01, 0xA1, 0x01, 0x85, KEYC_REPORT_CONSUMER, /* Consumer Control */               \
    0x15, 0x00, 0x26, 0xFF, 0x0F, 0x19, 0x00, 0x2A, 0xFF, 0x0F,     /* usages 0 to 0x0FFF */             \
    0x75, 0x10, 0x95, 0x02, 0x81, 0x00,                             /* two at a time, 16 bits each */    \
    0xC0,                                                                                                \
    0x05, 0x01, 0x09, 0x80, 0xA1, 0x01, 0x85, KEYC_REPORT_SYSTEM,   /* System Control */                 \
    0x16, 0x81, 0x00, 0x26, 0xB7, 0x00, 0x19, 0x81, 0x29, 0xB7,     /* usages 0x81 to 0xB7; 0: none */   \
    0x75, 0x08, 0x95, 0x01, 0x81, 0x00,                                                                  \
    0xC0

static const uint8_t keyc_hid_controls[] = {KEYC_HID_CONTROLS};

static const uint8_t keyc_hid_controls_and_pointer[] = {
    KEYC_HID_CONTROLS,
    0x05, 0x01, 0x09, 0x02, 0xA1, 0x01, 0x85, KEYC_REPORT_POINTER,  /* Generic Desktop: Mouse */
    0x09, 0x01, 0xA1, 0x00,                                         /* Pointer, physical */
    0x05, 0x09, 0x19, 0x01, 0x29, 0x05, 0x15, 0x00, 0x25, 0x01,     /* five buttons */
    0x75, 0x01, 0x95, 0x05, 0x81, 0x02, 0x95, 0x03, 0x81, 0x03,     /* and their padding */
    0x05, 0x01, 0x09, 0x30, 0x09, 0x31, 0x09, 0x38, 0x15, 0x81,     /* X, Y, Wheel: -127 to 127, relative */
    0x25, 0x7F, 0x75, 0x08, 0x95, 0x03, 0x81, 0x06,
    0x05, 0x0C, 0x0A, 0x38, 0x02, 0x95, 0x01, 0x81, 0x06,           /* AC Pan: the wheel to the right */
    0xC0, 0xC0,
};

#define KEYC_HID_PARTS_BYTES 25u
/* Interface, HID, endpoint: in this order (HID 1.11, 7.1). */
#define KEYC_HID_PARTS(number, subclass, protocol, reports, endpoint, interval)                          \
    9, 4, (number), 0, 1, 3, (subclass), (protocol), 0,                                                  \
    9, KEYC_HID, 0x11, 0x01, 0, 1, KEYC_HID_REPORT, KEYC_USB_WORD(sizeof(reports)),                      \
    7, 5, KEYC_USB_TO_HOST | (endpoint), 3, KEYC_USB_WORD(KEYC_USB_PACKET_BYTES), (interval)
/* Powered by the bus, wakes the host, 100 mA. */
#define KEYC_CONFIGURATION(length, interfaces) 9, 2, KEYC_USB_WORD(length), (interfaces), 1, 0, 0xA0, 50
#define KEYC_KEYBOARD_PARTS                                                                              \
    KEYC_HID_PARTS(KEYC_FIRST_INTERFACE, 1, 1, keyc_hid_keyboard_reports, KEYC_FIRST_ENDPOINT, 1)
#define KEYC_SECOND_PARTS(reports)                                                                       \
    KEYC_HID_PARTS(KEYC_SECOND_INTERFACE, 0, 0, reports, KEYC_SECOND_ENDPOINT, 1)

static const uint8_t keyc_keyboard_configuration[] = {
    KEYC_CONFIGURATION(9u + KEYC_HID_PARTS_BYTES, 1),
    KEYC_KEYBOARD_PARTS,
};
static const uint8_t keyc_controls_configuration[] = {
    KEYC_CONFIGURATION(9u + 2u * KEYC_HID_PARTS_BYTES, 2),
    KEYC_KEYBOARD_PARTS,
    KEYC_SECOND_PARTS(keyc_hid_controls),
};
static const uint8_t keyc_pointer_configuration[] = {
    KEYC_CONFIGURATION(9u + 2u * KEYC_HID_PARTS_BYTES, 2),
    KEYC_KEYBOARD_PARTS,
    KEYC_SECOND_PARTS(keyc_hid_controls_and_pointer),
};
_Static_assert(sizeof keyc_keyboard_configuration == 9u + KEYC_HID_PARTS_BYTES, "wTotalLength");
_Static_assert(sizeof keyc_controls_configuration == 9u + 2u * KEYC_HID_PARTS_BYTES, "wTotalLength");
_Static_assert(sizeof keyc_pointer_configuration == 9u + 2u * KEYC_HID_PARTS_BYTES, "wTotalLength");

/* Where the HID descriptor of an interface lies in every configuration, and in it the length of the
 * report descriptor, whose upper byte is 0. */
#define KEYC_HID_DESCRIPTOR_AT(interface) (9u + (interface)*KEYC_HID_PARTS_BYTES + 9u)
#define KEYC_HID_REPORTS_LENGTH_AT(interface) (KEYC_HID_DESCRIPTOR_AT(interface) + 7u)
_Static_assert(sizeof keyc_hid_controls_and_pointer < 256u, "its length is a byte");

static struct keyc_usb_keys *keys_of(const struct keyc_usb *usb)
{
    return (struct keyc_usb_keys *)usb->context;
}

static uint32_t report_length(const struct keyc_usb_keys *keys, uint32_t kind)
{
    static const uint8_t lengths[] = {0, 1u + KEYC_CONSUMER_REPORT_BYTES, 1u + KEYC_SYSTEM_REPORT_BYTES,
                                      1u + KEYC_POINTER_REPORT_BYTES};
    if (kind == KEYC_REPORT_KEYBOARD)
        return keys->boot_protocol ? KEYC_USB_BOOT_REPORT_BYTES : KEYC_USB_KEYBOARD_REPORT_BYTES;
    return lengths[kind];
}

void keyc_usb_keys_begin(struct keyc_usb_keys *keys)
{
    *keys = (struct keyc_usb_keys){.idle = {KEYC_IDLE_OF_A_KEYBOARD}};
    for (uint8_t kind = KEYC_REPORT_CONSUMER; kind < KEYC_USB_REPORT_KINDS; kind++)
        keys->reports[kind][0] = kind;
}

static void set_idle_of_second(struct keyc_usb_keys *keys, uint8_t time)
{
    for (uint32_t kind = KEYC_REPORT_CONSUMER; kind < KEYC_USB_REPORT_KINDS; kind++)
        keys->idle[kind] = time;
}

/* What the pointer moved is told once; its buttons stay. */
static void forget_moves(struct keyc_usb_keys *keys)
{
    for (uint32_t i = 2; i <= KEYC_POINTER_REPORT_BYTES; i++)
        keys->reports[KEYC_REPORT_POINTER][i] = 0;
}

static void begin(struct keyc_usb *usb)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    keys->boot_protocol = false; /* HID 1.11, 7.2.6: every device starts in the report protocol */
    set_idle_of_second(keys, 0);
    keys->idle[KEYC_REPORT_KEYBOARD] = KEYC_IDLE_OF_A_KEYBOARD;
    keys->lights = 0;
    keys->sent |= keys->asked; /* nobody will take them any more */
    keys->asked = 0;
    keys->waiting = keys->held; /* what was held all along */
    forget_moves(keys);         /* but a move that nobody took is over */
}

static bool interface_exists(const struct keyc_usb *usb, uint16_t interface)
{
    return interface < usb->device->interfaces;
}

/* Kinds are numbered by how many devices know them. */
static uint32_t kinds_in_use(const struct keyc_usb *usb)
{
    const uint8_t *second = usb->device->of_class;
    return !second ? KEYC_REPORT_CONSUMER
           : second == keyc_hid_controls ? KEYC_REPORT_POINTER
                                         : KEYC_USB_REPORT_KINDS;
}

/* The kind that a report id names on an interface; KEYC_USB_REPORT_KINDS: none. */
static uint32_t kind_of(const struct keyc_usb *usb, uint32_t interface, uint32_t id)
{
    if (interface == KEYC_FIRST_INTERFACE)
        return id == 0 ? KEYC_REPORT_KEYBOARD : KEYC_USB_REPORT_KINDS;
    return id == 0 || id >= kinds_in_use(usb) ? KEYC_USB_REPORT_KINDS : id;
}

static bool descriptor_answered(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    bool first = setup->index == KEYC_FIRST_INTERFACE;
    switch (setup->value) {
    case KEYC_HID << 8:
        return keyc_usb_answer(usb, usb->device->configuration + KEYC_HID_DESCRIPTOR_AT(setup->index), 9);
    case KEYC_HID_REPORT << 8:
        return keyc_usb_answer(usb, first ? keyc_hid_keyboard_reports : usb->device->of_class,
                               usb->device->configuration[KEYC_HID_REPORTS_LENGTH_AT(setup->index)]);
    default:
        return false;
    }
}

/* As kind_of(); id 0 of the second interface stands for all its reports (HID 1.11, 7.2.3, 7.2.4). */
static uint32_t first_idle_kind(const struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    uint32_t id = setup->value & 0xFFu;
    return kind_of(usb, setup->index,
                   id == 0 && setup->index != KEYC_FIRST_INTERFACE ? KEYC_REPORT_CONSUMER : id);
}

static bool idle_answered(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    uint32_t kind = first_idle_kind(usb, setup);
    return kind != KEYC_USB_REPORT_KINDS && keyc_usb_answer_copy(usb, &keys_of(usb)->idle[kind], 1);
}

static bool idle_set(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint8_t time = (uint8_t)(setup->value >> 8);
    uint32_t kind = first_idle_kind(usb, setup);
    if (kind == KEYC_USB_REPORT_KINDS)
        return false;
    if (setup->index != KEYC_FIRST_INTERFACE && (setup->value & 0xFFu) == 0)
        set_idle_of_second(keys, time);
    else
        keys->idle[kind] = time;
    return true;
}

static bool report_answered(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint32_t kind = kind_of(usb, setup->index, setup->value & 0xFFu);
    if (kind == KEYC_USB_REPORT_KINDS)
        return false;
    switch (setup->value >> 8) {
    case KEYC_HID_INPUT:
        return keyc_usb_answer(usb, keys->reports[kind], report_length(keys, kind));
    case KEYC_HID_OUTPUT:
        return kind == KEYC_REPORT_KEYBOARD && keyc_usb_answer_copy(usb, &keys->lights, 1);
    default:
        return false;
    }
}

static bool request(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    bool to_host = (setup->type & KEYC_USB_TO_HOST) != 0;
    bool first = setup->index == KEYC_FIRST_INTERFACE;
    if (KEYC_USB_RECIPIENT(setup->type) != KEYC_USB_OF_INTERFACE || !interface_exists(usb, setup->index))
        return false;
    if (KEYC_USB_KIND(setup->type) == KEYC_USB_STANDARD)
        return to_host && descriptor_answered(usb, setup);
    if (KEYC_USB_KIND(setup->type) != KEYC_USB_CLASS || to_host != (setup->request < KEYC_HID_SET_REPORT))
        return false;
    switch (setup->request) {
    case KEYC_HID_GET_REPORT:
        return report_answered(usb, setup);
    case KEYC_HID_GET_IDLE:
        return idle_answered(usb, setup);
    case KEYC_HID_GET_PROTOCOL: {
        const uint8_t protocol = keys->boot_protocol ? 0 : 1;
        return first && keyc_usb_answer_copy(usb, &protocol, 1);
    }
    case KEYC_HID_SET_IDLE:
        return setup->length == 0 && idle_set(usb, setup);
    case KEYC_HID_SET_PROTOCOL:
        if (!first || setup->value > 1 || setup->length != 0)
            return false;
        keys->boot_protocol = setup->value == 0;
        return true;
    case KEYC_HID_SET_REPORT: /* the lights follow as data */
        return first && setup->value == KEYC_HID_OUTPUT << 8 && setup->length > 0;
    default:
        return false;
    }
}

static bool request_data(struct keyc_usb *usb, const struct keyc_usb_setup *setup, const uint8_t *bytes,
                         uint32_t length)
{
    (void)setup; /* only SET_REPORT for the lights is accepted with data */
    if (length == 0)
        return false;
    keys_of(usb)->lights = bytes[0] & KEYC_LIGHTS_MASK;
    return true;
}

static bool ready(struct keyc_usb *usb, uint32_t pipe, const uint8_t **bytes, uint32_t *length)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint32_t kind = KEYC_REPORT_KEYBOARD;
    if (usb->suspended) /* a report handed out now would be stale when the host comes back */
        return false;
    if (pipe == KEYC_SECOND_PIPE) {
        kind = KEYC_REPORT_CONSUMER;
        while (kind < KEYC_REPORT_POINTER && !(keys->waiting & 1u << kind))
            kind++;
        keys->sending = kind;
    }
    *bytes = keys->reports[kind];
    *length = report_length(keys, kind);
    return (keys->waiting & 1u << kind) != 0;
}

static void done(struct keyc_usb *usb, uint32_t pipe, const uint8_t *bytes, uint32_t length)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint32_t bit = 1u << (pipe == KEYC_SECOND_PIPE ? keys->sending : KEYC_REPORT_KEYBOARD);
    (void)bytes;
    (void)length;
    if (bit == 1u << KEYC_REPORT_POINTER)
        forget_moves(keys);
    keys->waiting &= ~bit;
    keys->sent |= keys->asked & bit;
    keys->asked &= ~bit;
}

#define KEYC_KEYS_FUNCTIONS                                                                              \
    .wakes_host = true, .begin = begin, .request = request, .request_data = request_data, .ready = ready, \
    .done = done

const struct keyc_usb_device keyc_usb_keyboard = {
    .interfaces = 1,
    .pipes = 1u << KEYC_FIRST_PIPE,
    .configuration = keyc_keyboard_configuration,
    .configuration_length = sizeof keyc_keyboard_configuration,
    KEYC_KEYS_FUNCTIONS,
};

#define KEYC_BOTH_INTERFACES                                                                             \
    .interfaces = 2, .pipes = 1u << KEYC_FIRST_PIPE | 1u << KEYC_SECOND_PIPE, KEYC_KEYS_FUNCTIONS

const struct keyc_usb_device keyc_usb_keyboard_and_controls = {
    .configuration = keyc_controls_configuration,
    .configuration_length = sizeof keyc_controls_configuration,
    .of_class = keyc_hid_controls,
    KEYC_BOTH_INTERFACES,
};

const struct keyc_usb_device keyc_usb_keyboard_and_pointer = {
    .configuration = keyc_pointer_configuration,
    .configuration_length = sizeof keyc_pointer_configuration,
    .of_class = keyc_hid_controls_and_pointer,
    KEYC_BOTH_INTERFACES,
};

static bool host_listens(const struct keyc_usb *usb)
{
    return keyc_usb_is_configured(usb) && (!usb->suspended || usb->wake_allowed);
}

bool keyc_usb_keys_send(struct keyc_usb *usb, uint32_t kind, const uint8_t *bytes, uint32_t length,
                        uint32_t now_us)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint32_t bit = 1u << kind;
    uint32_t at = kind == KEYC_REPORT_KEYBOARD ? 0 : 1;
    uint32_t pipe = kind == KEYC_REPORT_KEYBOARD ? KEYC_FIRST_PIPE : KEYC_SECOND_PIPE;
    uint8_t something = 0;
    if (kind >= KEYC_USB_REPORT_KINDS || keys->asked & bit || usb->under_way & 1u << pipe)
        return false;
    for (uint32_t i = 0; i < length && at < KEYC_USB_KEYBOARD_REPORT_BYTES; i++) {
        keys->reports[kind][at++] = bytes[i];
        something |= bytes[i];
    }
    keys->held = something ? keys->held | bit : keys->held & ~bit;
    keys->told_us[kind] = now_us;
    keys->waiting |= bit;
    if (host_listens(usb)) {
        keys->asked |= bit;
    } else {
        keys->sent |= bit;
        forget_moves(keys);
    }
    return true;
}

uint32_t keyc_usb_keys_take_sent(struct keyc_usb *usb)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint32_t sent = keys->sent;
    keys->sent = 0;
    return sent;
}

uint32_t keyc_usb_keys_repeat_idle(struct keyc_usb *usb, uint32_t now_us)
{
    struct keyc_usb_keys *keys = keys_of(usb);
    uint32_t next_us = UINT32_MAX;
    if (!keyc_usb_is_configured(usb) || usb->suspended)
        return next_us;
    for (uint32_t kind = 0; kind < kinds_in_use(usb); kind++) {
        uint32_t period_us = keys->idle[kind] * 4000u;
        uint32_t passed_us = now_us - keys->told_us[kind];
        if (period_us == 0)
            continue;
        if (passed_us >= period_us) {
            keys->told_us[kind] = now_us;
            keys->waiting |= 1u << kind;
            passed_us = 0;
        }
        if (period_us - passed_us < next_us)
            next_us = period_us - passed_us;
    }
    return next_us;
}
