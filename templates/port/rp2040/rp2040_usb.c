/* The USB controller: moves packets between engine_usb.h and the dual-port memory (datasheet 4.1).
 *
 * Errata that concern a driver of our own:
 *   E5   chips marked B0 and B1 may stay in reset behind a hub that is busy with other devices. Not
 *        worked round: it takes GPIO15 away from the keyboard for a moment. Another port helps.
 *   E15  the controller hangs when a frame's end cuts off the answer to a bulk packet to the host:
 *        none is armed in the last fifth of a frame (`frame_has_time`). KEYC_IMAGE_HAS_BULK says whether
 *        the image has such pipes at all. */
#include "rp2040.h"

#define KEYC_FRAME_LATEST_US 780u
#define KEYC_BULK 2u
#define KEYC_ENDPOINT_DESCRIPTOR 5u
#define KEYC_BUS_QUIET_BEFORE_WAKING_US 2000u /* and 3 ms until the suspend was noticed: 7.1.7.7 asks for 5 */

/* The controller's memory is laid out by pipes, as they are numbered in engine_usb.h. */
#define KEYC_CONTROL_BUFFER 0x100u
#define KEYC_BUFFERS 0x180u

static struct keyc_usb *keyc_usb;
static uint32_t keyc_stalled; /* bit n: pipe n's buffer control says STALL */
static bool keyc_host_woken;
static uint32_t keyc_suspended_us;

static uint32_t buffer_at(uint32_t pipe)
{
    return pipe < 2u ? KEYC_CONTROL_BUFFER : KEYC_BUFFERS + (pipe - 2u) * KEYC_USB_PACKET_BYTES;
}

/* The controller leaves a buffer alone from when it is done until it is armed again. */
static uint8_t *buffer(uint32_t pipe)
{
    return (uint8_t *)(uintptr_t)(KEYC_USB_MEMORY + buffer_at(pipe));
}

static volatile uint32_t *endpoint_control(uint32_t pipe)
{
    return &KEYC_AT(KEYC_USB_MEMORY + 4u * pipe);
}

static volatile uint32_t *buffer_control(uint32_t pipe)
{
    return &KEYC_AT(KEYC_USB_MEMORY + 0x80u + 4u * pipe);
}

/* The controller may look at the word between two of its clocks, so "available" comes last, and late
 * enough for the rest to be seen (4.1.2.5.1). */
static void arm(uint32_t pipe, const struct keyc_usb_packet *packet)
{
    uint32_t control = packet->length | KEYC_USB_BUFFER_LAST | (packet->data1 ? KEYC_USB_BUFFER_DATA1 : 0u);
    if (pipe % 2u == 0) {
        uint8_t *to = buffer(pipe);
        control |= KEYC_USB_BUFFER_FULL;
        for (uint32_t i = 0; i < packet->length; i++)
            to[i] = packet->bytes[i];
    }
    *buffer_control(pipe) = control;
    __asm__ volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop" ::: "memory");
    *buffer_control(pipe) = control | KEYC_USB_BUFFER_AVAILABLE;
}

static void stall(uint32_t pipe)
{
    uint32_t bit = 1u << pipe;
    if (keyc_stalled & bit)
        return;
    keyc_stalled |= bit;
    KEYC_SET(KEYC_USB_EP_STALL_ARM) = bit & KEYC_USB_CONTROL_PIPES;
    *buffer_control(pipe) = KEYC_USB_BUFFER_STALL;
}

#if KEYC_IMAGE_HAS_BULK
static uint32_t keyc_bulk_to_host;
static bool keyc_frames_watched, keyc_bulk_in_frame;
static uint32_t keyc_frame_began_us;

/* Erratum E15. The interrupt at each frame's start is on only while bulk packets go to the host. */
static bool frame_has_time(void)
{
    bool has_time = keyc_frames_watched && keyc_rp2040_now_us() - keyc_frame_began_us < KEYC_FRAME_LATEST_US;
    keyc_bulk_in_frame = true;
    if (!keyc_frames_watched) {
        keyc_frames_watched = true;
        keyc_frame_began_us = keyc_rp2040_now_us() - KEYC_FRAME_LATEST_US;
        KEYC_SET(KEYC_USB_INTE) = KEYC_USB_INT_FRAME;
    }
    return has_time;
}

static bool has_to_wait(uint32_t pipe)
{
    return keyc_bulk_to_host >> pipe & 1u && keyc_usb_has_packet(keyc_usb, pipe) && !frame_has_time();
}

static void frame_began(void)
{
    (void)KEYC_AT(KEYC_USB_SOF_RD); /* reading it ends the interrupt */
    keyc_frame_began_us = keyc_rp2040_now_us();
    if (!keyc_bulk_in_frame) {
        keyc_frames_watched = false;
        KEYC_CLEAR(KEYC_USB_INTE) = KEYC_USB_INT_FRAME;
    }
    keyc_bulk_in_frame = false;
}
#endif

static void serve(void)
{
    uint32_t taken_back = keyc_usb_take_back(keyc_usb);
    uint32_t pipes = keyc_usb->device->pipes | KEYC_USB_CONTROL_PIPES;
    keyc_stalled &= ~taken_back;
    KEYC_AT(KEYC_USB_ADDRESS) = keyc_usb->address;
    for (uint32_t pipe = 0; pipe < KEYC_USB_PIPES; pipe++) {
        struct keyc_usb_packet packet;
        if (!(pipes >> pipe & 1u))
            continue;
        if (taken_back >> pipe & 1u)
            *buffer_control(pipe) = 0;
#if KEYC_IMAGE_HAS_BULK
        if (has_to_wait(pipe))
            continue;
#endif
        switch (keyc_usb_next(keyc_usb, pipe, &packet)) {
        case KEYC_USB_PACKET:
            arm(pipe, &packet);
            break;
        case KEYC_USB_STALL:
            stall(pipe);
            break;
        case KEYC_USB_NOTHING:
            break;
        }
    }
}

static void buffers_done(void)
{
    uint32_t done = KEYC_AT(KEYC_USB_BUFF_STATUS);
    KEYC_CLEAR(KEYC_USB_BUFF_STATUS) = done;
    for (uint32_t pipe = 0; pipe < KEYC_USB_PIPES; pipe++)
        if (done >> pipe & 1u)
            keyc_usb_done(keyc_usb, pipe, buffer(pipe), *buffer_control(pipe) & KEYC_USB_BUFFER_LENGTH);
}

void keyc_rp2040_usb_handler(void)
{
    uint32_t cause = KEYC_AT(KEYC_USB_INTS);
    keyc_rp2040_wake();
#if KEYC_IMAGE_HAS_BULK
    if (cause & KEYC_USB_INT_FRAME)
        frame_began();
#endif
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
        keyc_host_woken = false;
        keyc_usb_suspended(keyc_usb, suspended);
    }
    if (cause & KEYC_USB_INT_RESUME) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_RESUMED;
        keyc_usb_suspended(keyc_usb, false);
    }
    if (cause & KEYC_USB_INT_SETUP) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_SETUP;
        keyc_usb_setup(keyc_usb, (const uint8_t *)(uintptr_t)KEYC_USB_MEMORY);
    }
    serve();
}

/* Each endpoint of the configuration gets its place in the memory. */
static void place_endpoints(const struct keyc_usb_device *device)
{
    const uint8_t *descriptor = device->configuration;
    const uint8_t *end = descriptor + device->configuration_length;
    for (; descriptor < end; descriptor += descriptor[0]) {
        uint32_t pipe, transfer;
        if (descriptor[1] != KEYC_ENDPOINT_DESCRIPTOR)
            continue;
        pipe = 2u * (descriptor[2] & 0x0Fu) + (descriptor[2] & KEYC_USB_TO_HOST ? 0u : 1u);
        transfer = descriptor[3];
#if KEYC_IMAGE_HAS_BULK
        if (transfer == KEYC_BULK && pipe % 2u == 0)
            keyc_bulk_to_host |= 1u << pipe;
#endif
        *endpoint_control(pipe) =
            KEYC_USB_ENDPOINT_ENABLE | KEYC_USB_ENDPOINT_EVERY_BUFFER | transfer << 26 | buffer_at(pipe);
    }
}

void keyc_rp2040_usb_begin(struct keyc_usb *usb)
{
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

void keyc_rp2040_usb_serve(void)
{
    serve();
    keyc_rp2040_usb_let();
}

void keyc_rp2040_usb_wake_host(void)
{
    if (!keyc_usb->suspended || !keyc_usb->wake_allowed || keyc_host_woken ||
        keyc_rp2040_now_us() - keyc_suspended_us < KEYC_BUS_QUIET_BEFORE_WAKING_US)
        return;
    keyc_host_woken = true;
    KEYC_SET(KEYC_USB_SIE_CTRL) = KEYC_USB_RESUME;
}
