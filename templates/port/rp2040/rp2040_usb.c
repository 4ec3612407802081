/* The USB controller: moves packets between engine_usb.h and the dual-port memory (datasheet 4.1).
 *
 * Errata that concern a driver of our own:
 *   E5   chips marked B0 and B1 may stay in reset behind a hub that is busy with other devices: see
 *        rp2040_erratum_5.c, and `keyc_rp2040_usb_attend` for when.
 *   E12  clk_sys has to be faster than clk_usb: see rp2040_clocks.c.
 *   E15  the controller hangs when a frame's end cuts off the answer to a bulk packet to the host:
 *        none is armed in the last fifth of a frame (`frame_has_time`). KEYC_IMAGE_HAS_CONSOLE says whether
 *        the image has such pipes at all. */
#include "rp2040.h"

#define KEYC_FRAME_LATEST_US 780u
#define KEYC_LOOK_WHETHER_RESET_IS_OVER_US 1000u /* it takes 10 ms at least, and 10 more until we are asked */
#define KEYC_LOOK_WHETHER_HOST_IS_BACK_US 8000u  /* it says so for 20 ms (7.1.7.7), should no interrupt come */
#define KEYC_BUS_QUIET_BEFORE_WAKING_US 2000u /* and 3 ms until the suspend was noticed: 7.1.7.7 asks for 5 */

/* The controller's memory is laid out by pipes, as they are numbered in engine_usb.h. */
#define KEYC_CONTROL_BUFFER 0x100u
#define KEYC_BUFFERS 0x180u

/* In one piece, which the chip reaches with less code. */
static struct {
    struct keyc_usb *usb;
    uint32_t stalled; /* bit n: pipe n's buffer control says STALL */
    uint32_t suspended_us;
    bool bus_was_reset; /* and erratum E5 is still to be dealt with */
    bool host_woken;
    bool clocks_slow;
} controller;

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

#define KEYC_ROUNDS_UNTIL_SEEN 4u /* of four cycles each; three cycles of clk_sys are one of clk_usb */

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
    for (uint32_t round = KEYC_ROUNDS_UNTIL_SEEN; round; round--)
        __asm__ volatile("nop" ::: "memory");
    *buffer_control(pipe) = control | KEYC_USB_BUFFER_AVAILABLE;
}

static void stall(uint32_t pipe)
{
    uint32_t bit = 1u << pipe;
    if (controller.stalled & bit)
        return;
    controller.stalled |= bit;
    KEYC_SET(KEYC_USB_EP_STALL_ARM) = bit & KEYC_USB_CONTROL_PIPES;
    *buffer_control(pipe) = KEYC_USB_BUFFER_STALL;
}

#if KEYC_IMAGE_HAS_CONSOLE
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
    return pipe % 2u == 0 && controller.usb->device->bulk >> pipe & 1u &&
           keyc_usb_has_packet(controller.usb, pipe) && !frame_has_time();
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
    uint32_t taken_back = keyc_usb_take_back(controller.usb);
    uint32_t pipes = controller.usb->device->pipes | KEYC_USB_CONTROL_PIPES;
    controller.stalled &= ~taken_back;
    KEYC_AT(KEYC_USB_ADDRESS) = controller.usb->address;
    for (uint32_t pipe = 0; pipe < KEYC_USB_PIPES; pipe++) {
        struct keyc_usb_packet packet;
        if (!(pipes >> pipe & 1u))
            continue;
        if (taken_back >> pipe & 1u)
            *buffer_control(pipe) = 0;
#if KEYC_IMAGE_HAS_CONSOLE
        if (has_to_wait(pipe))
            continue;
#endif
        switch (keyc_usb_next(controller.usb, pipe, &packet)) {
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
            keyc_usb_done(controller.usb, pipe, buffer(pipe), *buffer_control(pipe) & KEYC_USB_BUFFER_LENGTH);
}

void keyc_rp2040_usb_handler(void)
{
    uint32_t cause = KEYC_AT(KEYC_USB_INTS);
    keyc_rp2040_wake();
#if KEYC_IMAGE_HAS_CONSOLE
    if (cause & KEYC_USB_INT_FRAME)
        frame_began();
#endif
    /* What is done was done before a SETUP that came with it: nothing is armed in between. */
    if (cause & KEYC_USB_INT_BUFFERS)
        buffers_done();
    if (cause & KEYC_USB_INT_BUS_RESET) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_BUS_RESET;
        controller.bus_was_reset = keyc_rp2040_has_erratum_5();
        keyc_usb_bus_reset(controller.usb);
    }
    if (cause & KEYC_USB_INT_SUSPEND) { /* told at both ends of it */
        bool suspended = (KEYC_AT(KEYC_USB_SIE_STATUS) & KEYC_USB_STATUS_SUSPENDED) != 0;
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_SUSPENDED;
        controller.suspended_us = keyc_rp2040_now_us();
        controller.host_woken = false;
        keyc_usb_suspended(controller.usb, suspended);
    }
    if (cause & KEYC_USB_INT_RESUME) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_RESUMED;
        keyc_usb_suspended(controller.usb, false);
    }
    if (cause & KEYC_USB_INT_SETUP) {
        KEYC_CLEAR(KEYC_USB_SIE_STATUS) = KEYC_USB_STATUS_SETUP;
        keyc_usb_setup(controller.usb, (const uint8_t *)(uintptr_t)KEYC_USB_MEMORY);
    }
    serve();
}

/* Each pipe gets its place in the memory. */
static void place_pipes(const struct keyc_usb_device *device)
{
    for (uint32_t pipe = 2; pipe < KEYC_USB_PIPES; pipe++)
        if (device->pipes >> pipe & 1u)
            *endpoint_control(pipe) =
                KEYC_USB_ENDPOINT_ENABLE | KEYC_USB_ENDPOINT_EVERY_BUFFER |
                (device->bulk >> pipe & 1u ? KEYC_USB_ENDPOINT_BULK : KEYC_USB_ENDPOINT_INTERRUPT) |
                buffer_at(pipe);
}

void keyc_rp2040_usb_begin(struct keyc_usb *usb)
{
    uint32_t block = keyc_block_of(KEYC_USB_SIE_CTRL);
    controller.usb = usb;
    for (uint32_t at = 0; at < KEYC_USB_MEMORY_BYTES; at += 4)
        KEYC_AT(KEYC_USB_MEMORY + at) = 0;
    place_pipes(usb->device);
    KEYC_IN(block, KEYC_USB_MUXING) = KEYC_USB_TO_PHY | KEYC_USB_SOFT_CONNECT;
    KEYC_IN(block, KEYC_USB_PWR) = KEYC_USB_VBUS_DETECTED;
    KEYC_IN(block, KEYC_USB_MAIN_CTRL) = KEYC_USB_CONTROLLER_ENABLE;
    KEYC_IN(block, KEYC_USB_INTE) = KEYC_USB_INT_BUFFERS | KEYC_USB_INT_BUS_RESET | KEYC_USB_INT_SUSPEND |
                             KEYC_USB_INT_RESUME | KEYC_USB_INT_SETUP;
    KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_USB;
    KEYC_IN(block, KEYC_USB_SIE_CTRL) = KEYC_USB_EP0_EVERY_BUFFER | KEYC_USB_PULL_UP;
}

void keyc_rp2040_usb_serve(void)
{
    serve();
    keyc_rp2040_usb_let();
}

/* The bus is quiet, and was in use before: without that it is most likely a charger's. */
static bool bus_sleeps(void)
{
    const struct keyc_usb *usb = controller.usb;
    return usb->suspended && usb->address && !controller.host_woken &&
           (KEYC_AT(KEYC_USB_SIE_STATUS) & KEYC_USB_STATUS_LINES) == KEYC_USB_LINES_IDLE;
}

uint32_t keyc_rp2040_usb_attend(bool wake_host)
{
    const struct keyc_usb *usb = controller.usb;
    uint32_t within_us = UINT32_MAX;
    bool waking, slow;
    keyc_rp2040_usb_hold();
    if (controller.bus_was_reset) {
        within_us = KEYC_LOOK_WHETHER_RESET_IS_OVER_US;
        if (KEYC_AT(KEYC_USB_SIE_STATUS) & KEYC_USB_STATUS_LINES) {
            controller.bus_was_reset = false;
            keyc_rp2040_show_idle_bus();
        }
    }
    waking = wake_host && usb->suspended && usb->wake_allowed && !controller.host_woken &&
             keyc_rp2040_now_us() - controller.suspended_us >= KEYC_BUS_QUIET_BEFORE_WAKING_US;
    controller.host_woken |= waking;
    slow = bus_sleeps();
    if (slow != controller.clocks_slow) {
        controller.clocks_slow = slow;
        if (slow)
            keyc_rp2040_clocks_slow();
        else
            keyc_rp2040_clocks_fast();
    }
    if (waking)
        KEYC_SET(KEYC_USB_SIE_CTRL) = KEYC_USB_RESUME;
    keyc_rp2040_usb_let();
    return slow ? KEYC_LOOK_WHETHER_HOST_IS_BACK_US : within_us;
}
