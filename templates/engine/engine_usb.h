/* A USB 2.0 full-speed device without any hardware.
 *
 * The port tells what happened on the bus (`keyc_usb_bus_reset`, `keyc_usb_setup`, `keyc_usb_done`,
 * `keyc_usb_suspended`), takes back the buffers that `keyc_usb_take_back` names, then asks for each pipe
 * what to do next (`keyc_usb_next`). Standard requests are answered here (USB 2.0, chapter 9); a
 * `struct keyc_usb_device` says what the device is and answers the rest. All state lies in memory that
 * the caller owns.
 *
 * Nothing here locks: the caller keeps its interrupt away while the main program calls in.
 */
#ifndef KEYC_ENGINE_USB_H
#define KEYC_ENGINE_USB_H

#include <stdbool.h>
#include <stdint.h>

#define KEYC_USB_PACKET_BYTES 64u
/* A pipe is one direction of an endpoint: 2 x its number to the host, 1 more from the host. */
#define KEYC_USB_PIPES 10u /* endpoints 0 to 4 */
#define KEYC_USB_PIPE_TO_HOST(endpoint) (2u * (endpoint))
#define KEYC_USB_PIPE_FROM_HOST(endpoint) (2u * (endpoint) + 1u)
#define KEYC_USB_CONTROL_PIPES 3u /* both of endpoint 0, as bits */

/* Request type: direction, kind, recipient (USB 2.0, table 9-2). */
#define KEYC_USB_TO_HOST 0x80u
#define KEYC_USB_KIND(type) ((type) & 0x60u)
#define KEYC_USB_STANDARD 0x00u
#define KEYC_USB_CLASS 0x20u
#define KEYC_USB_RECIPIENT(type) ((type) & 0x1Fu)
#define KEYC_USB_OF_DEVICE 0u
#define KEYC_USB_OF_INTERFACE 1u
#define KEYC_USB_OF_ENDPOINT 2u

/* Standard requests and descriptors (USB 2.0, tables 9-4 and 9-5). */
#define KEYC_USB_GET_STATUS 0u
#define KEYC_USB_CLEAR_FEATURE 1u
#define KEYC_USB_SET_FEATURE 3u
#define KEYC_USB_SET_ADDRESS 5u
#define KEYC_USB_GET_DESCRIPTOR 6u
#define KEYC_USB_GET_CONFIGURATION 8u
#define KEYC_USB_SET_CONFIGURATION 9u
#define KEYC_USB_GET_INTERFACE 10u
#define KEYC_USB_SET_INTERFACE 11u
#define KEYC_USB_DESCRIPTOR_DEVICE 1u
#define KEYC_USB_DESCRIPTOR_CONFIGURATION 2u
#define KEYC_USB_DESCRIPTOR_STRING 3u
#define KEYC_USB_FEATURE_ENDPOINT_HALT 0u
#define KEYC_USB_FEATURE_REMOTE_WAKEUP 1u

struct keyc_usb_setup {
    uint8_t type, request;
    uint16_t value, index, length;
};

/* Who the device says it is. Strings are whole string descriptors; a null pointer: it has none. */
struct keyc_usb_identity {
    uint16_t vendor, product, device_version;
    const uint8_t *maker, *title, *serial;
};

struct keyc_usb;

/* What the device is: its descriptors, and its answers to what isn't a standard request. */
struct keyc_usb_device {
    uint8_t device_class, device_subclass, device_protocol;
    uint8_t interfaces; /* how many */
    bool wakes_host;    /* offers remote wake-up */
    uint32_t pipes;     /* bit n: pipe n exists, beside those of endpoint 0 */
    const uint8_t *configuration;
    uint16_t configuration_length;
    const uint8_t *of_class; /* the class's own constants */
    /* Every state of the class begins afresh: reset of the bus, or a new configuration. */
    void (*begin)(struct keyc_usb *usb);
    /* A request that isn't standard. Answers with keyc_usb_answer(), does it, or accepts the data
     * that follows; false is a STALL. */
    bool (*request)(struct keyc_usb *usb, const struct keyc_usb_setup *setup);
    /* The data of a request to the device that `request` accepted. */
    bool (*request_data)(struct keyc_usb *usb, const struct keyc_usb_setup *setup, const uint8_t *bytes,
                         uint32_t length);
    /* To the host: the next packet, whose bytes must stay until the next call; false: none.
     * From the host: whether there is room for a packet. */
    bool (*ready)(struct keyc_usb *usb, uint32_t pipe, const uint8_t **bytes, uint32_t *length);
    /* To the host: the packet has arrived. From the host: this is the packet. */
    void (*done)(struct keyc_usb *usb, uint32_t pipe, const uint8_t *bytes, uint32_t length);
};

enum keyc_usb_stage {
    KEYC_USB_IDLE,
    KEYC_USB_DATA_TO_HOST,
    KEYC_USB_DATA_FROM_HOST,
    KEYC_USB_STATUS_TO_HOST, /* an empty packet that says: done */
    KEYC_USB_STALLED
};

struct keyc_usb {
    const struct keyc_usb_device *device;
    const struct keyc_usb_identity *identity;
    void *context; /* the class state, for the functions of `device` */
    /* Small things first: what lies near the beginning costs the chip less code to reach. */
    uint8_t stage; /* enum keyc_usb_stage */
    uint8_t received;
    bool empty_packet_ends; /* the answer is shorter than asked for and fills its last packet */
    bool all_sent;          /* the host's status stage is to come */
    uint8_t address, next_address, configuration;
    bool suspended, wake_allowed;
    struct keyc_usb_setup setup;
    const uint8_t *answer; /* what is left to send; a null pointer: `scratch` from `answer_at` on */
    uint32_t answer_left, answer_at;
    /* Bit n: pipe n. */
    uint32_t under_way, data1, halted, take_back;
    uint8_t scratch[20];
};

enum keyc_usb_next {
    KEYC_USB_NOTHING, /* leave the pipe as it is */
    KEYC_USB_PACKET,  /* arm it with this packet, or for one */
    KEYC_USB_STALL
};

struct keyc_usb_packet {
    const uint8_t *bytes; /* to the host; valid until the next call */
    uint32_t length;      /* ... or how many fit, from the host */
    bool data1;
};

void keyc_usb_begin(struct keyc_usb *usb, const struct keyc_usb_device *device,
                    const struct keyc_usb_identity *identity, void *context);

/* From the bus. `bytes` and `length` are those of a packet from the host. */
void keyc_usb_bus_reset(struct keyc_usb *usb);
void keyc_usb_suspended(struct keyc_usb *usb, bool suspended);
void keyc_usb_setup(struct keyc_usb *usb, const uint8_t packet[8]);
void keyc_usb_done(struct keyc_usb *usb, uint32_t pipe, const uint8_t *bytes, uint32_t length);

/* To the bus. A packet that was handed out counts as under way until `keyc_usb_done` or a take-back. */
uint32_t keyc_usb_take_back(struct keyc_usb *usb); /* bit n: pipe n; told once */
enum keyc_usb_next keyc_usb_next(struct keyc_usb *usb, uint32_t pipe, struct keyc_usb_packet *packet);
/* keyc_usb_next() would hand out a packet for this pipe, which isn't one of endpoint 0. */
bool keyc_usb_has_packet(struct keyc_usb *usb, uint32_t pipe);

/* For the functions of a `struct keyc_usb_device`. `bytes` must stay valid; it is never copied. */
void keyc_usb_answer(struct keyc_usb *usb, const uint8_t *bytes, uint32_t length);
/* A short answer that is copied: at most sizeof usb->scratch bytes. */
void keyc_usb_answer_copy(struct keyc_usb *usb, const uint8_t *bytes, uint32_t length);

bool keyc_usb_is_configured(const struct keyc_usb *usb);

#endif
