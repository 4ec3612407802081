/* TinyUSB moves the packets; what the device is and what it answers is engine_usb.c's word, byte for byte
 * as without the SDK.
 *
 * TinyUSB itself is told of what changes its own state: SET_ADDRESS, and SET_CONFIGURATION where it changes
 * something. Every other request is handed to it as one of a vendor's, which it passes on as it came, and is
 * answered from `tud_vendor_control_xfer_cb`: no vendor's request is ever accepted that the engine refuses,
 * and the engine refuses all of them.
 *
 * Errata: E5 by TinyUSB and the SDK (PICO_RP2040_USB_DEVICE_ENUMERATION_FIX), E15 by TinyUSB
 * (PICO_RP2040_USB_DEVICE_UFRAME_FIX), E12 in sdk_chip.c. */
#include "rp2040.h"

#include "hardware/structs/usb.h"
#include "tusb.h"

#include "device/dcd.h"
#include "device/usbd_pvt.h"

#define KEYC_ROOT_PORT 0u
#define KEYC_DESCRIPTOR_ENDPOINT 5u
#define KEYC_LOOK_WHETHER_HOST_IS_BACK_US 8000u /* it says so for 20 ms (USB 2.0, 7.1.7.7) */
#define KEYC_BUS_QUIET_BEFORE_WAKING_US 2000u   /* and 3 ms until the suspend was noticed: 7.1.7.7 asks for 5 */

#if TUSB_VERSION_MAJOR > 0 || TUSB_VERSION_MINOR > 20 /* it wants to know from then on */
#define KEYC_NOT_IN_HANDLER , false
#else
#define KEYC_NOT_IN_HANDLER
#endif

/* How a request is disguised. Recipients above 3 are reserved (USB 2.0, table 9-2), so its kind fits beside
 * its recipient. */
#define KEYC_DISGUISED 0x40u
#define KEYC_RESERVED_RECIPIENT 7u

static struct {
    struct keyc_usb *usb;
    uint32_t suspended_us;
    bool host_woken, clocks_slow;
    volatile uint16_t came; /* bytes of the last packet from the host on endpoint 0 */
    uint8_t data[8];        /* that come with a request */
    uint8_t packet[KEYC_USB_PACKET_BYTES]; /* from the host; no device here has two such pipes */
} bridge;

void __real_dcd_event_handler(const dcd_event_t *event, bool in_handler);
void __wrap_dcd_event_handler(const dcd_event_t *event, bool in_handler);

static uint8_t address_of(uint32_t pipe)
{
    return (uint8_t)(pipe / 2u | (pipe % 2u ? 0u : KEYC_USB_TO_HOST));
}

static uint32_t pipe_of(uint8_t address)
{
    return address & KEYC_USB_TO_HOST ? KEYC_USB_PIPE_TO_HOST(address & 0x0Fu) : KEYC_USB_PIPE_FROM_HOST(address);
}

static bool has_pipe(uint32_t pipe)
{
    return (bridge.usb->device->pipes >> pipe & 1u) != 0;
}

/* --- packets */

static void take_back(void)
{
    uint32_t pipes = keyc_usb_take_back(bridge.usb);
    if (!keyc_usb_is_configured(bridge.usb))
        return; /* none is open */
    for (uint32_t pipe = 2; pipe < KEYC_USB_PIPES; pipe++)
        if (pipes >> pipe & 1u && has_pipe(pipe)) {
            usbd_edpt_stall(KEYC_ROOT_PORT, address_of(pipe)); /* which takes its packet from it */
            if (!(bridge.usb->halted >> pipe & 1u))
                usbd_edpt_clear_stall(KEYC_ROOT_PORT, address_of(pipe));
        }
}

static void serve(void)
{
    take_back();
    if (!keyc_usb_is_configured(bridge.usb))
        return;
    for (uint32_t pipe = 2; pipe < KEYC_USB_PIPES; pipe++) {
        struct keyc_usb_packet packet;
        if (!has_pipe(pipe) || usbd_edpt_busy(KEYC_ROOT_PORT, address_of(pipe)) ||
            keyc_usb_next(bridge.usb, pipe, &packet) != KEYC_USB_PACKET)
            continue;
        (void)usbd_edpt_xfer(KEYC_ROOT_PORT, address_of(pipe),
                             pipe % 2u ? bridge.packet : (uint8_t *)(uintptr_t)packet.bytes,
                             (uint16_t)packet.length KEYC_NOT_IN_HANDLER);
    }
}

/* --- the class that TinyUSB sees */

static void class_begin(void) {}

/* A reset of the bus, which takes the address too, or SET_CONFIGURATION. */
static void class_reset(uint8_t port)
{
    static const uint8_t set_no_configuration[8] = {0, KEYC_USB_SET_CONFIGURATION, 0};
    (void)port;
    if (usb_hw->dev_addr_ctrl)
        keyc_usb_setup(bridge.usb, set_no_configuration);
    else
        keyc_usb_bus_reset(bridge.usb);
    (void)keyc_usb_take_back(bridge.usb); /* TinyUSB has closed all pipes */
}

/* The first interface, and all that follow it in the configuration. */
static uint16_t class_open(uint8_t port, const tusb_desc_interface_t *first, uint16_t length)
{
    static const uint8_t set_configuration[8] = {0, KEYC_USB_SET_CONFIGURATION, 1};
    const uint8_t *at = (const uint8_t *)first;
    const uint8_t *end = at + length;
    for (; at < end; at += at[0])
        if (at[1] == KEYC_DESCRIPTOR_ENDPOINT &&
            !usbd_edpt_open(port, (const tusb_desc_endpoint_t *)(const void *)at))
            return 0;
    keyc_usb_setup(bridge.usb, set_configuration);
    (void)keyc_usb_take_back(bridge.usb);
    return length;
}

static bool class_request(uint8_t port, uint8_t stage, const tusb_control_request_t *request)
{
    (void)port;
    (void)stage;
    (void)request;
    return false; /* all of them come in disguise */
}

static bool class_done(uint8_t port, uint8_t address, xfer_result_t result, uint32_t length)
{
    (void)port;
    (void)result;
    keyc_usb_done(bridge.usb, pipe_of(address), bridge.packet, length);
    return true;
}

const usbd_class_driver_t *usbd_app_driver_get_cb(uint8_t *count)
{
    static const usbd_class_driver_t keyboard = {
        .init = class_begin,
        .reset = class_reset,
        .open = class_open,
        .control_xfer_cb = class_request,
        .xfer_cb = class_done,
    };
    *count = 1;
    return &keyboard;
}

/* --- requests */

static bool is_for_tinyusb(const tusb_control_request_t *setup)
{
    if (setup->bmRequestType != 0 || setup->wLength != 0)
        return false;
    if (setup->bRequest == KEYC_USB_SET_ADDRESS)
        return setup->wValue < 128u && setup->wIndex == 0;
    return setup->bRequest == KEYC_USB_SET_CONFIGURATION && setup->wValue < 2u &&
           setup->wValue != bridge.usb->configuration;
}

/* Of every event of the controller, on its way into TinyUSB's queue. */
void __wrap_dcd_event_handler(const dcd_event_t *event, bool in_handler)
{
    dcd_event_t passed = *event;
    if (event->event_id == DCD_EVENT_SETUP_RECEIVED && !is_for_tinyusb(&event->setup_received)) {
        uint8_t type = event->setup_received.bmRequestType;
        uint8_t recipient = KEYC_USB_RECIPIENT(type);
        if (recipient > KEYC_RESERVED_RECIPIENT)
            recipient = KEYC_RESERVED_RECIPIENT;
        passed.setup_received.bmRequestType = (uint8_t)((type & KEYC_USB_TO_HOST) | KEYC_DISGUISED |
                                                        KEYC_USB_KIND(type) >> 2 | recipient);
    }
    if (event->event_id == DCD_EVENT_XFER_COMPLETE && event->xfer_complete.ep_addr == 0)
        bridge.came = (uint16_t)event->xfer_complete.len;
    __real_dcd_event_handler(&passed, in_handler);
    keyc_rp2040_wake();
}

static void undisguise(const tusb_control_request_t *request, uint8_t packet[8])
{
    uint8_t type = request->bmRequestType;
    packet[0] = (uint8_t)((type & KEYC_USB_TO_HOST) | (type & 0x18u) << 2 | (type & 7u));
    packet[1] = request->bRequest;
    packet[2] = (uint8_t)(request->wValue & 0xFFu);
    packet[3] = (uint8_t)(request->wValue >> 8);
    packet[4] = (uint8_t)(request->wIndex & 0xFFu);
    packet[5] = (uint8_t)(request->wIndex >> 8);
    packet[6] = (uint8_t)(request->wLength & 0xFFu);
    packet[7] = (uint8_t)(request->wLength >> 8);
}

static bool answered(uint8_t port, const tusb_control_request_t *request)
{
    struct keyc_usb *usb = bridge.usb;
    tusb_control_request_t told = *request;
    uint8_t packet[8];
    undisguise(request, packet);
    keyc_usb_setup(usb, packet);
    switch (usb->stage) {
    case KEYC_USB_DATA_TO_HOST:
        return tud_control_xfer(port, request, (void *)(uintptr_t)usb->answer, (uint16_t)usb->answer_left);
    case KEYC_USB_DATA_FROM_HOST:
        return tud_control_xfer(port, request, bridge.data, request->wLength);
    case KEYC_USB_STATUS_TO_HOST: /* also of a request for nothing, from the host's point of view (8.5.3) */
        told.bmRequestType_bit.direction = TUSB_DIR_OUT;
        return tud_control_status(port, &told);
    default:
        return false;
    }
}

bool tud_vendor_control_xfer_cb(uint8_t port, uint8_t stage, const tusb_control_request_t *request)
{
    struct keyc_usb *usb = bridge.usb;
    switch (stage) {
    case CONTROL_STAGE_SETUP:
        return answered(port, request);
    case CONTROL_STAGE_DATA:
        return usb->stage != KEYC_USB_DATA_FROM_HOST ||
               usb->device->request_data(usb, &usb->setup, bridge.data, bridge.came);
    default:
        return true;
    }
}

/* --- what TinyUSB asks for: the same descriptors */

const uint8_t *tud_descriptor_device_cb(void)
{
    return bridge.usb->identity->device;
}

const uint8_t *tud_descriptor_configuration_cb(uint8_t index)
{
    return index == 0 ? bridge.usb->device->configuration : (const uint8_t *)0;
}

const uint16_t *tud_descriptor_string_cb(uint8_t index, uint16_t language)
{
    (void)language;
    return index < KEYC_USB_STRINGS ? (const uint16_t *)(const void *)bridge.usb->identity->strings[index]
                                    : (const uint16_t *)0;
}

/* --- sleeping and waking */

void tud_suspend_cb(bool wake_allowed)
{
    (void)wake_allowed; /* the engine was asked itself */
    bridge.suspended_us = keyc_rp2040_now_us();
    bridge.host_woken = false;
    keyc_usb_suspended(bridge.usb, true);
}

void tud_resume_cb(void)
{
    keyc_usb_suspended(bridge.usb, false);
}

/* The bus is quiet, and was in use before: TinyUSB tells of no suspend else. */
static bool bus_sleeps(void)
{
    return bridge.usb->suspended && !bridge.host_woken &&
           (usb_hw->sie_status & KEYC_USB_STATUS_LINES) == KEYC_USB_LINES_IDLE;
}

/* --- for the main program */

void keyc_rp2040_usb_begin(struct keyc_usb *usb)
{
    bridge.usb = usb;
    (void)tud_init(KEYC_ROOT_PORT);
}

void keyc_rp2040_usb_serve(void)
{
    serve();
    keyc_rp2040_usb_let();
}

uint32_t keyc_rp2040_usb_attend(bool wake_host)
{
    const struct keyc_usb *usb = bridge.usb;
    bool waking, slow;
    tud_task_ext(0, false);
    serve();
    waking = wake_host && usb->suspended && usb->wake_allowed && !bridge.host_woken &&
             keyc_rp2040_now_us() - bridge.suspended_us >= KEYC_BUS_QUIET_BEFORE_WAKING_US;
    bridge.host_woken |= waking;
    slow = bus_sleeps();
    if (slow != bridge.clocks_slow) {
        bridge.clocks_slow = slow;
        if (slow)
            keyc_rp2040_clocks_slow();
        else
            keyc_rp2040_clocks_fast();
    }
    if (waking)
        dcd_remote_wakeup(KEYC_ROOT_PORT);
    return slow ? KEYC_LOOK_WHETHER_HOST_IS_BACK_US : UINT32_MAX;
}
