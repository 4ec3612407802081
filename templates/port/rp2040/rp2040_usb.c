/* The USB controller: moves packets between engine_usb.h and the dual-port memory (datasheet 4.1).
 *
 * Errata that concern a driver of our own:
 *   E5   chips marked B0 and B1 may stay in reset behind a hub that is busy with other devices. Not
 *        worked round: it takes GPIO15 away from the keyboard for a moment. Another port helps.
 *   E15  the controller hangs when a frame's end cuts off the answer to a bulk packet to the host:
 *        none is armed in the last fifth of a frame (`frame_has_time`). */
#include "rp2040.h"
#include "rp2040_registers.h"

#define KEYC_CONTROL_BUFFER 0x100u
#define KEYC_BUFFERS 0x180u /* 64 bytes to the host and 64 from it, endpoint by endpoint */
#define KEYC_FRAME_LATEST_US 780u
#define KEYC_BULK 2u
#define KEYC_ENDPOINT_DESCRIPTOR 5u
#define KEYC_BUS_QUIET_BEFORE_WAKING_US 2000u /* and 3 ms until the suspend was noticed: 7.1.7.7 asks for 5 */

static struct keyc_usb *keyc_usb;
static uint8_t keyc_in_stalled, keyc_out_stalled; /* bit n: endpoint n's buffer control says STALL */
static uint8_t keyc_in_bulk;
static bool keyc_frames_watched, keyc_bulk_in_frame;
static uint32_t keyc_frame_began_us, keyc_suspended_us;

static volatile uint8_t *buffer(uint32_t endpoint, bool to_host) {
    uint32_t at = endpoint == 0 ? KEYC_CONTROL_BUFFER
                                : KEYC_BUFFERS + (endpoint - 1u) * 2u * KEYC_USB_PACKET_BYTES +
                                      (to_host ? 0u : KEYC_USB_PACKET_BYTES);
    return (volatile uint8_t *)(uintptr_t)(KEYC_USB_MEMORY + at);
}

static volatile uint32_t *endpoint_control(uint32_t endpoint, bool to_host) {
    return &KEYC_AT(KEYC_USB_MEMORY + 8u * endpoint + (to_host ? 0u : 4u));
}

static volatile uint32_t *buffer_control(uint32_t endpoint, bool to_host) {
    return &KEYC_AT(KEYC_USB_MEMORY + 0x80u + 8u * endpoint + (to_host ? 0u : 4u));
}

/* The controller may look at the word between two of its clocks, so "available" comes last, and late
 * enough for the rest to be seen (4.1.2.5.1). */
static void arm(uint32_t endpoint, bool to_host, uint32_t control) {
    volatile uint32_t *word = buffer_control(endpoint, to_host);
    *word = control;
    __asm__ volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop");
    *word = control | KEYC_USB_BUFFER_AVAILABLE;
}

static void stall(uint32_t endpoint, bool to_host) {
    uint8_t *stalled = to_host ? &keyc_in_stalled : &keyc_out_stalled;
    if (*stalled >> endpoint & 1u)
        return;
    *stalled |= (uint8_t)(1u << endpoint);
    if (endpoint == 0)
        KEYC_SET(KEYC_USB_EP_STALL_ARM) = to_host ? 1u : 2u;
    *buffer_control(endpoint, to_host) = KEYC_USB_BUFFER_STALL;
}

static void take_back(uint8_t in_endpoints, uint8_t out_endpoints) {
    keyc_in_stalled &= (uint8_t)~in_endpoints;
    keyc_out_stalled &= (uint8_t)~out_endpoints;
    for (uint32_t endpoint = 0; endpoint < KEYC_USB_ENDPOINTS; endpoint++) {
        if (in_endpoints >> endpoint & 1u)
            *buffer_control(endpoint, true) = 0;
        if (out_endpoints >> endpoint & 1u)
            *buffer_control(endpoint, false) = 0;
    }
}

/* Erratum E15. The interrupt at each frame's start is on only while bulk packets go to the host. */
static bool frame_has_time(void) {
    bool has_time = keyc_frames_watched && keyc_rp2040_now_us() - keyc_frame_began_us < KEYC_FRAME_LATEST_US;
    keyc_bulk_in_frame = true;
    if (!keyc_frames_watched) {
        keyc_frames_watched = true;
        keyc_frame_began_us = keyc_rp2040_now_us() - KEYC_FRAME_LATEST_US;
        KEYC_SET(KEYC_USB_INTE) = KEYC_USB_INT_FRAME;
    }
    return has_time;
}

static void frame_began(void) {
    (void)KEYC_AT(KEYC_USB_SOF_RD); /* reading it ends the interrupt */
    keyc_frame_began_us = keyc_rp2040_now_us();
    if (!keyc_bulk_in_frame) {
        keyc_frames_watched = false;
        KEYC_CLEAR(KEYC_USB_INTE) = KEYC_USB_INT_FRAME;
    }
    keyc_bulk_in_frame = false;
}

static void arm_in(uint32_t endpoint) {
    struct keyc_usb_packet packet;
    volatile uint8_t *to;
    if (keyc_in_bulk >> endpoint & 1u && keyc_usb_has_packet(keyc_usb, (uint8_t)endpoint) && !frame_has_time())
        return;
    switch (keyc_usb_in(keyc_usb, (uint8_t)endpoint, &packet)) {
    case KEYC_USB_PACKET:
        to = buffer(endpoint, true);
        for (uint32_t i = 0; i < packet.length; i++)
            to[i] = packet.bytes[i];
        arm(endpoint, true,
            KEYC_USB_BUFFER_FULL | KEYC_USB_BUFFER_LAST | (packet.data1 ? KEYC_USB_BUFFER_DATA1 : 0u) | packet.length);
        break;
    case KEYC_USB_STALL:
        stall(endpoint, true);
        break;
    case KEYC_USB_NOTHING:
        break;
    }
}

static void arm_out(uint32_t endpoint) {
    bool data1;
    switch (keyc_usb_out(keyc_usb, (uint8_t)endpoint, &data1)) {
    case KEYC_USB_PACKET:
        arm(endpoint, false, KEYC_USB_BUFFER_LAST | (data1 ? KEYC_USB_BUFFER_DATA1 : 0u) | KEYC_USB_PACKET_BYTES);
        break;
    case KEYC_USB_STALL:
        stall(endpoint, false);
        break;
    case KEYC_USB_NOTHING:
        break;
    }
}

static void serve(void) {
    uint8_t in_endpoints, out_endpoints;
    keyc_usb_take_back(keyc_usb, &in_endpoints, &out_endpoints);
    take_back(in_endpoints, out_endpoints);
    KEYC_AT(KEYC_USB_ADDRESS) = keyc_usb->address;
    for (uint32_t endpoint = 0; endpoint < KEYC_USB_ENDPOINTS; endpoint++) {
        arm_in(endpoint);
        arm_out(endpoint);
    }
}

static void buffers_done(void) {
    uint32_t done = KEYC_AT(KEYC_USB_BUFF_STATUS);
    for (uint32_t endpoint = 0; endpoint < KEYC_USB_ENDPOINTS; endpoint++) {
        uint32_t in_bit = 1u << 2u * endpoint;
        uint32_t out_bit = in_bit << 1;
        if (done & in_bit) {
            KEYC_CLEAR(KEYC_USB_BUFF_STATUS) = in_bit;
            keyc_usb_in_done(keyc_usb, (uint8_t)endpoint);
        }
        if (done & out_bit) {
            uint8_t bytes[KEYC_USB_PACKET_BYTES];
            uint32_t length = *buffer_control(endpoint, false) & KEYC_USB_BUFFER_LENGTH;
            volatile uint8_t *from = buffer(endpoint, false);
            if (length > KEYC_USB_PACKET_BYTES)
                length = KEYC_USB_PACKET_BYTES;
            for (uint32_t i = 0; i < length; i++)
                bytes[i] = from[i];
            KEYC_CLEAR(KEYC_USB_BUFF_STATUS) = out_bit;
            keyc_usb_out_done(keyc_usb, (uint8_t)endpoint, bytes, (uint8_t)length);
        }
    }
}

void keyc_rp2040_usb_handler(void) {
    uint32_t cause = KEYC_AT(KEYC_USB_INTS);
    if (cause & KEYC_USB_INT_FRAME)
        frame_began();
    /* What is done was done before a SETUP that came with it: nothing is armed in between. */
    if (cause & KEYC_USB_INT_BUFFERS)
        buffers_done();
    if (cause & KEYC_USB_INT_BUS_RESET) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_BUS_RESET;
        keyc_usb_bus_reset(keyc_usb);
    }
    if (cause & KEYC_USB_INT_SUSPEND) { /* told at both ends of it */
        bool suspended = (KEYC_AT(KEYC_USB_SIE_STATUS) & KEYC_USB_STATUS_SUSPENDED) != 0;
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_SUSPENDED;
        keyc_suspended_us = keyc_rp2040_now_us();
        keyc_usb_suspended(keyc_usb, suspended);
    }
    if (cause & KEYC_USB_INT_RESUME) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_RESUMED;
        keyc_usb_suspended(keyc_usb, false);
    }
    if (cause & KEYC_USB_INT_SETUP) {
        uint8_t packet[8];
        volatile const uint8_t *from = (volatile const uint8_t *)(uintptr_t)KEYC_USB_MEMORY;
        for (uint32_t i = 0; i < sizeof packet; i++)
            packet[i] = from[i];
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_SETUP;
        keyc_usb_setup(keyc_usb, packet);
    }
    serve();
}

/* Each endpoint of the configuration gets its place in the memory. */
static void place_endpoints(const struct keyc_usb_device *device) {
    const uint8_t *descriptor = device->configuration;
    const uint8_t *end = descriptor + device->configuration_length;
    for (; descriptor < end; descriptor += descriptor[0]) {
        uint32_t endpoint, transfer;
        bool to_host;
        if (descriptor[1] != KEYC_ENDPOINT_DESCRIPTOR)
            continue;
        endpoint = descriptor[2] & 0x0Fu;
        to_host = (descriptor[2] & KEYC_USB_TO_HOST) != 0;
        transfer = descriptor[3] & 3u;
        if (to_host && transfer == KEYC_BULK)
            keyc_in_bulk |= (uint8_t)(1u << endpoint);
        *endpoint_control(endpoint, to_host) = KEYC_USB_ENDPOINT_ENABLE | KEYC_USB_ENDPOINT_EVERY_BUFFER |
                                               transfer << 26 |
                                               ((uint32_t)(uintptr_t)buffer(endpoint, to_host) - KEYC_USB_MEMORY);
    }
}

void keyc_rp2040_usb_begin(struct keyc_usb *usb) {
    keyc_usb = usb;
    for (uint32_t at = 0; at < KEYC_USB_MEMORY_BYTES; at += 4)
        KEYC_AT(KEYC_USB_MEMORY + at) = 0;
    place_endpoints(usb->device);
    KEYC_AT(KEYC_USB_MUXING) = KEYC_USB_TO_PHY | KEYC_USB_SOFT_CONNECT;
    KEYC_AT(KEYC_USB_PWR) = KEYC_USB_VBUS_DETECTED;
    KEYC_AT(KEYC_USB_MAIN_CTRL) = KEYC_USB_CONTROLLER_ENABLE;
    KEYC_AT(KEYC_USB_SIE_CTRL) = KEYC_USB_EP0_EVERY_BUFFER;
    KEYC_AT(KEYC_USB_INTE) = KEYC_USB_INT_BUFFERS | KEYC_USB_INT_BUS_RESET | KEYC_USB_INT_SUSPEND |
                             KEYC_USB_INT_RESUME | KEYC_USB_INT_SETUP;
    KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_USB;
    KEYC_SET(KEYC_USB_SIE_CTRL) = KEYC_USB_PULL_UP;
}

void keyc_rp2040_usb_hold(void) {
    KEYC_AT(KEYC_NVIC_ICER) = 1u << KEYC_INTERRUPT_USB;
    __asm__ volatile("dsb\n isb" ::: "memory"); /* it is held from here on, and not a few instructions later */
}

void keyc_rp2040_usb_go_on(void) {
    serve();
    __asm__ volatile("" ::: "memory");
    KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_USB;
}

void keyc_rp2040_usb_wake_host(void) {
    if (keyc_usb->suspended && keyc_usb->wake_allowed &&
        keyc_rp2040_now_us() - keyc_suspended_us >= KEYC_BUS_QUIET_BEFORE_WAKING_US)
        KEYC_SET(KEYC_USB_SIE_CTRL) = KEYC_USB_RESUME;
}
