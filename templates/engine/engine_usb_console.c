/* Descriptors, requests and bytes of the console. See engine_usb_console.h. */
#include "engine_usb_console.h"

#define KEYC_CDC_SET_LINE_CODING 0x20u
#define KEYC_CDC_GET_LINE_CODING 0x21u
#define KEYC_CDC_SET_CONTROL_LINE_STATE 0x22u
#define KEYC_CDC_LINE_CODING_BYTES 7u
#define KEYC_CDC_CONTROL_INTERFACE 0u

/* Numbers that no other function of the project uses. */
#define KEYC_CONSOLE_NOTIFY_ENDPOINT 3u
#define KEYC_CONSOLE_DATA_ENDPOINT 4u
#define KEYC_CONSOLE_NOTIFY KEYC_USB_PIPE_TO_HOST(KEYC_CONSOLE_NOTIFY_ENDPOINT)
#define KEYC_CONSOLE_TO_HOST KEYC_USB_PIPE_TO_HOST(KEYC_CONSOLE_DATA_ENDPOINT)
#define KEYC_CONSOLE_FROM_HOST KEYC_USB_PIPE_FROM_HOST(KEYC_CONSOLE_DATA_ENDPOINT)

#define KEYC_WORD(value) (uint8_t)((value)&0xFFu), (uint8_t)((value) >> 8)
#define KEYC_CONSOLE_CONFIGURATION_BYTES 67u

static const uint8_t keyc_console_configuration[] = {
    9, 2, KEYC_WORD(KEYC_CONSOLE_CONFIGURATION_BYTES), 2, 1, 0, 0x80, 50, /* powered by the bus, 100 mA */
    9, 4, 0, 0, 1, 2, 2, 0, 0,    /* control: abstract control model, no command protocol */
    5, 0x24, 0, 0x20, 0x01,       /* header: CDC 1.20 */
    5, 0x24, 1, 0, 1,             /* no call management */
    4, 0x24, 2, 2,                /* line coding and line state */
    5, 0x24, 6, 0, 1,             /* union of interfaces 0 and 1 */
    7, 5, KEYC_USB_TO_HOST | KEYC_CONSOLE_NOTIFY_ENDPOINT, 3, 8, 0, 255,
    9, 4, 1, 0, 2, 0x0A, 0, 0, 0, /* data */
    7, 5, KEYC_CONSOLE_DATA_ENDPOINT, 2, KEYC_WORD(KEYC_USB_PACKET_BYTES), 0,
    7, 5, KEYC_USB_TO_HOST | KEYC_CONSOLE_DATA_ENDPOINT, 2, KEYC_WORD(KEYC_USB_PACKET_BYTES), 0,
};
_Static_assert(sizeof keyc_console_configuration == KEYC_CONSOLE_CONFIGURATION_BYTES, "wTotalLength");
_Static_assert((KEYC_USB_CONSOLE_RING_BYTES & (KEYC_USB_CONSOLE_RING_BYTES - 1u)) == 0, "power of two");

static struct keyc_usb_console *console_of(const struct keyc_usb *usb)
{
    return (struct keyc_usb_console *)usb->context;
}

static uint16_t put(struct keyc_usb_ring *ring, const uint8_t *bytes, uint16_t length)
{
    uint16_t taken = 0;
    while (taken < length && ring->count < KEYC_USB_CONSOLE_RING_BYTES) {
        ring->bytes[(ring->first + ring->count) % KEYC_USB_CONSOLE_RING_BYTES] = bytes[taken++];
        ring->count++;
    }
    return taken;
}

static uint16_t take(struct keyc_usb_ring *ring, uint8_t *bytes, uint16_t capacity)
{
    uint16_t taken = 0;
    while (taken < capacity && ring->count) {
        bytes[taken++] = ring->bytes[ring->first];
        ring->first = (uint16_t)((ring->first + 1u) % KEYC_USB_CONSOLE_RING_BYTES);
        ring->count--;
    }
    return taken;
}

void keyc_usb_console_begin(struct keyc_usb_console *console)
{
    /* 115,200 bits a second, one stop bit, no parity, eight bits: what a terminal expects to read. */
    *console = (struct keyc_usb_console){.line_coding = {0x00, 0xC2, 0x01, 0x00, 0, 0, 8}};
}

uint16_t keyc_usb_console_write(struct keyc_usb_console *console, const uint8_t *bytes, uint16_t length)
{
    return put(&console->to_host, bytes, length);
}

uint16_t keyc_usb_console_read(struct keyc_usb_console *console, uint8_t *bytes, uint16_t capacity)
{
    return take(&console->from_host, bytes, capacity);
}

static void begin(struct keyc_usb *usb) { /* a packet that the host never took is offered again */
    console_of(usb)->terminal_open = false;
}

static bool request(struct keyc_usb *usb, const struct keyc_usb_setup *setup)
{
    struct keyc_usb_console *console = console_of(usb);
    bool to_host = (setup->type & KEYC_USB_TO_HOST) != 0;
    if (KEYC_USB_KIND(setup->type) != KEYC_USB_CLASS ||
        KEYC_USB_RECIPIENT(setup->type) != KEYC_USB_OF_INTERFACE ||
        setup->index != KEYC_CDC_CONTROL_INTERFACE)
        return false;
    switch (setup->request) {
    case KEYC_CDC_GET_LINE_CODING:
        if (!to_host)
            return false;
        keyc_usb_answer(usb, console->line_coding, KEYC_CDC_LINE_CODING_BYTES);
        return true;
    case KEYC_CDC_SET_LINE_CODING:
        return !to_host && setup->length == KEYC_CDC_LINE_CODING_BYTES;
    case KEYC_CDC_SET_CONTROL_LINE_STATE:
        if (to_host || setup->length != 0)
            return false;
        console->terminal_open = (setup->value & 1u) != 0;
        return true;
    default:
        return false;
    }
}

static bool request_data(struct keyc_usb *usb, const struct keyc_usb_setup *setup, const uint8_t *bytes,
                         uint32_t length)
{
    struct keyc_usb_console *console = console_of(usb);
    (void)setup; /* only SET_LINE_CODING is accepted with data */
    if (length != KEYC_CDC_LINE_CODING_BYTES)
        return false;
    for (uint32_t i = 0; i < length; i++)
        console->line_coding[i] = bytes[i];
    return true;
}

static bool ready(struct keyc_usb *usb, uint32_t pipe, const uint8_t **bytes, uint32_t *length)
{
    struct keyc_usb_console *console = console_of(usb);
    if (pipe == KEYC_CONSOLE_FROM_HOST)
        return KEYC_USB_CONSOLE_RING_BYTES - console->from_host.count >= KEYC_USB_PACKET_BYTES;
    if (pipe != KEYC_CONSOLE_TO_HOST)
        return false; /* there is nothing to notify of */
    if (!console->packet_kept) {
        if (console->to_host.count == 0 && !console->empty_packet_ends)
            return false;
        console->packet_bytes = (uint8_t)take(&console->to_host, console->packet, KEYC_USB_PACKET_BYTES);
        console->packet_kept = true;
    }
    *bytes = console->packet;
    *length = console->packet_bytes;
    return true;
}

static void done(struct keyc_usb *usb, uint32_t pipe, const uint8_t *bytes, uint32_t length)
{
    struct keyc_usb_console *console = console_of(usb);
    if (pipe == KEYC_CONSOLE_FROM_HOST) {
        (void)put(&console->from_host, bytes, (uint16_t)length); /* room was made sure of */
        return;
    }
    console->packet_kept = false;
    console->empty_packet_ends = console->packet_bytes == KEYC_USB_PACKET_BYTES;
}

const struct keyc_usb_device keyc_usb_console = {
    .device_class = 2, /* communications */
    .interfaces = 2,
    .pipes = 1u << KEYC_CONSOLE_NOTIFY | 1u << KEYC_CONSOLE_TO_HOST | 1u << KEYC_CONSOLE_FROM_HOST,
    .configuration = keyc_console_configuration,
    .configuration_length = sizeof keyc_console_configuration,
    .begin = begin,
    .request = request,
    .request_data = request_data,
    .ready = ready,
    .done = done,
};
