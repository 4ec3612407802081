/* A host gone mad against the USB code, under the address and undefined-behaviour sanitizers.
 *
 * Arguments: how many steps, a seed. Each step is a control request (sensible, nearly so or random, carried
 * through, cut short or answered wrongly), a poll, a packet, a key stroke, or an event of the bus. After
 * every few steps the host comes to its senses: bus reset, enumeration as on the first day, all keys up;
 * then the device must answer the same bytes as ever and no key may be down. Exits with 1 and says so. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "engine_usb_console.h"
#include "engine_usb_keys.h"
#include "engine_usb_trial.h"
#include "keyc_engine.h"

#define STEPS_BETWEEN_CHECKS 40
#define CONTROL_IN KEYC_USB_PIPE_TO_HOST(0u)
#define CONTROL_OUT KEYC_USB_PIPE_FROM_HOST(0u)
#define LONGEST 65535u

static uint64_t state;
static unsigned long step, requests;

static uint32_t chance(uint32_t below) /* splitmix64 (Steele, Lea, Flood 2014) */
{
    uint64_t z = (state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (uint32_t)((z ^ (z >> 31)) % below);
}

static void check(int holds, const char *what)
{
    if (holds)
        return;
    fprintf(stderr, "step %lu: %s\n", step, what);
    exit(1);
}

static const uint8_t device_of_keys[] = KEYC_USB_DEVICE_DESCRIPTOR(KEYC_USB_KEYS_CLASS, 0x1209, 1, 0x0100);
static const uint8_t device_of_console[] =
    KEYC_USB_DEVICE_DESCRIPTOR(KEYC_USB_CONSOLE_CLASS, 0x1209, 1, 0x0200);
static const uint8_t device_of_trial[] = KEYC_USB_DEVICE_DESCRIPTOR(KEYC_USB_TRIAL_CLASS, 0x1209, 1, 0x0300);
static const uint8_t maker[] = {6, 3, 'm', 0, 'e', 0};
static const uint8_t title[64] = {64, 3, 'x'}; /* fills its packet */

static struct keyc_usb usb;
static struct keyc_usb_keys keys;
static struct keyc_usb_console console;
static struct keyc_usb_trial trials[2]; /* with the fewest interfaces, and with the most */
static const struct keyc_usb_device *device;
static int has_keys, has_console;
static uint32_t now_us, toggles; /* bit n: DATA1 is due on pipe n */

/* What the port does after every event. */
static void take_back(void)
{
    uint32_t pipes = keyc_usb_take_back(&usb);
    check(pipes < 1u << KEYC_USB_PIPES, "took back a pipe that there isn't");
    toggles &= ~pipes; /* a halt or a new configuration: DATA0 again (USB 2.0, 9.4.5, 9.1.1.5) */
}

/* One packet of a pipe to the host, or its room in one from the host. Every byte is looked at. */
static enum keyc_usb_next next(uint32_t pipe, struct keyc_usb_packet *packet, uint8_t copy[64])
{
    enum keyc_usb_next what = keyc_usb_next(&usb, pipe, packet);
    if (what != KEYC_USB_PACKET)
        return what;
    check(packet->length <= KEYC_USB_PACKET_BYTES, "a packet of more than 64 bytes");
    check(pipe < 2u || packet->data1 == (toggles >> pipe & 1u), "DATA0 and DATA1 are mixed up");
    if (pipe % 2u == 0 && packet->length)
        memcpy(copy, packet->bytes, packet->length);
    return what;
}

static void done(uint32_t pipe, const uint8_t *bytes, uint32_t length)
{
    keyc_usb_done(&usb, pipe, bytes, length);
    toggles ^= 1u << pipe;
}

static void random_bytes(uint8_t *bytes, uint32_t count)
{
    while (count--)
        *bytes++ = (uint8_t)chance(256);
}

/* Requests that mean something, for the fuzzer to begin from. */
static const uint8_t sensible[][8] = {
    {0x80, 6, 0, 1, 0, 0, 18, 0},    {0x80, 6, 0, 1, 0, 0, 8, 0},   {0x80, 6, 0, 2, 0, 0, 255, 255},
    {0x80, 6, 0, 2, 0, 0, 9, 0},     {0x80, 6, 0, 3, 0, 0, 255, 0}, {0x80, 6, 2, 3, 9, 4, 255, 0},
    {0x80, 6, 3, 3, 9, 4, 255, 0},   {0x80, 6, 0, 6, 0, 0, 10, 0},  {0x81, 6, 0, 0x21, 0, 0, 9, 0},
    {0x81, 6, 0, 0x22, 0, 0, 99, 0}, {0x81, 6, 0, 0x22, 1, 0, 99, 0}, {0x80, 0, 0, 0, 0, 0, 2, 0},
    {0x81, 0, 0, 0, 0, 0, 2, 0},     {0x82, 0, 0, 0, 0x81, 0, 2, 0}, {0x00, 1, 1, 0, 0, 0, 0, 0},
    {0x00, 3, 1, 0, 0, 0, 0, 0},     {0x02, 1, 0, 0, 0x81, 0, 0, 0}, {0x02, 3, 0, 0, 0x81, 0, 0, 0},
    {0x02, 3, 0, 0, 0, 0, 0, 0},     {0x00, 5, 9, 0, 0, 0, 0, 0},   {0x80, 8, 0, 0, 0, 0, 1, 0},
    {0x00, 9, 1, 0, 0, 0, 0, 0},     {0x00, 9, 0, 0, 0, 0, 0, 0},   {0x81, 10, 0, 0, 0, 0, 1, 0},
    {0x01, 11, 0, 0, 0, 0, 0, 0},    {0xA1, 1, 0, 1, 0, 0, 36, 0},  {0xA1, 1, 1, 1, 1, 0, 5, 0},
    {0xA1, 1, 0, 2, 0, 0, 1, 0},     {0xA1, 2, 0, 0, 0, 0, 1, 0},   {0xA1, 2, 0, 0, 1, 0, 1, 0},
    {0xA1, 3, 0, 0, 0, 0, 1, 0},     {0x21, 9, 0, 2, 0, 0, 1, 0},   {0x21, 10, 0, 1, 0, 0, 0, 0},
    {0x21, 10, 0, 9, 1, 0, 0, 0},    {0x21, 11, 0, 0, 0, 0, 0, 0},  {0x21, 11, 1, 0, 0, 0, 0, 0},
    {0xA1, 0x21, 0, 0, 0, 0, 7, 0},  {0x21, 0x20, 0, 0, 0, 0, 7, 0}, {0x21, 0x22, 3, 0, 0, 0, 0, 0},
    {0x02, 3, 0, 0, 0x84, 0, 0, 0},  {0x02, 1, 0, 0, 0x84, 0, 0, 0}, {0x40, 1, 0, 0, 0, 0, 0, 0},
    {0xA1, 0x21, 0, 0, 2, 0, 7, 0},  {0x21, 0x20, 0, 0, 2, 0, 7, 0}, {0x21, 0x22, 3, 0, 2, 0, 0, 0},
    {0x21, 0x20, 0, 0, 1, 0, 7, 0},  {0x02, 3, 0, 0, 4, 0, 0, 0},    {0x81, 0, 0, 0, 3, 0, 2, 0},
};

/* A control transfer. `manners` 0: as the standard says; else the host may stop anywhere, answer too early
 * or with packets of any length. Returns how many bytes came, or -1 after a STALL; `answer` gets them, or what
 * was sent. */
static int control(const uint8_t setup[8], int manners, uint8_t *answer)
{
    uint32_t wanted = (uint32_t)(setup[6] | setup[7] << 8), got = 0;
    struct keyc_usb_packet packet;
    uint8_t copy[64], out[64];
    keyc_usb_setup(&usb, setup);
    requests++;
    check((usb.take_back & KEYC_USB_CONTROL_PIPES) == KEYC_USB_CONTROL_PIPES, "stale buffers stay armed");
    take_back();
    for (uint32_t packets = 0;; packets++) {
        uint32_t pipe = setup[0] & KEYC_USB_TO_HOST && got < wanted ? CONTROL_IN : CONTROL_OUT;
        enum keyc_usb_next what;
        check(packets <= LONGEST / 64u + 2u, "a control transfer that never ends");
        if (manners && chance(8) == 0)
            return (int)got;
        if (manners && chance(4) == 0)
            pipe ^= 1u;
        what = next(pipe, &packet, copy);
        if (what == KEYC_USB_STALL) {
            keyc_usb_setup(&usb, (const uint8_t[8]){0x80, 8, 0, 0, 0, 0, 1, 0});
            take_back();
            check(next(CONTROL_IN, &packet, copy) == KEYC_USB_PACKET, "the next SETUP doesn't heal the pipe");
            return -1;
        }
        if (what == KEYC_USB_NOTHING) {
            if (!manners && (!(setup[0] & KEYC_USB_TO_HOST) || !wanted)) { /* the status stage */
                check(next(CONTROL_IN, &packet, copy) == KEYC_USB_PACKET && packet.length == 0, "no status");
                keyc_usb_done(&usb, CONTROL_IN, out, 0);
                take_back();
                return (int)got;
            }
            check(manners, "a transfer that stops in the middle");
            return (int)got;
        }
        if (pipe == CONTROL_IN) {
            check(got + packet.length <= wanted, "more bytes than were asked for");
            if (answer)
                memcpy(answer + got, copy, packet.length);
            got += packet.length;
            keyc_usb_done(&usb, pipe, out, 0);
            if (packet.length < 64u)
                wanted = got;
        } else {
            uint32_t length = 0;
            if (!(setup[0] & KEYC_USB_TO_HOST))
                length = manners ? chance(65) : wanted < 64u ? wanted : 64u;
            random_bytes(out, length);
            if (answer && length)
                memcpy(answer, out, length);
            keyc_usb_done(&usb, pipe, out, length);
            if (setup[0] & KEYC_USB_TO_HOST)
                return (int)got;
        }
        take_back();
    }
}

static void poll(uint32_t pipe)
{
    struct keyc_usb_packet packet;
    uint8_t copy[64], out[64];
    if (next(pipe, &packet, copy) != KEYC_USB_PACKET)
        return;
    if (chance(8) == 0)
        return; /* the host stops reading: the packet stays where it is */
    random_bytes(out, sizeof out);
    done(pipe, out, pipe % 2u ? chance(65) : 0);
}

static void request(void)
{
    uint8_t setup[8];
    memcpy(setup, sensible[chance(sizeof sensible / sizeof *sensible)], sizeof setup);
    for (uint32_t changes = chance(4); changes; changes--)
        setup[chance(8)] = (uint8_t)chance(256);
    if (chance(6) == 0)
        random_bytes(setup, sizeof setup);
    (void)control(setup, 1, NULL);
}

static void stroke(void)
{
    uint8_t report[KEYC_USB_KEYBOARD_REPORT_BYTES];
    static const uint8_t lengths[] = {KEYC_KEYBOARD_REPORT_BYTES, KEYC_CONSUMER_REPORT_BYTES,
                                      KEYC_SYSTEM_REPORT_BYTES, KEYC_POINTER_REPORT_BYTES};
    uint32_t kind = chance(KEYC_USB_REPORT_KINDS);
    random_bytes(report, sizeof report);
    if (chance(3) == 0)
        memset(report, 0, sizeof report);
    (void)keyc_usb_keys_send(&usb, kind, report, lengths[kind], now_us);
    (void)keyc_usb_keys_take_sent(&usb);
}

static void any_event(void)
{
    uint8_t bytes[300];
    now_us += chance(3) ? chance(5000) : chance(UINT32_MAX);
    switch (chance(12)) {
    case 0:
        keyc_usb_bus_reset(&usb);
        break;
    case 1:
        keyc_usb_suspended(&usb, chance(2));
        break;
    case 2: { /* an interrupt for a pipe that nobody armed */
        uint32_t pipe = chance(KEYC_USB_PIPES);
        random_bytes(bytes, 64);
        if (!(usb.under_way >> pipe & 1u))
            keyc_usb_done(&usb, pipe, bytes, chance(65));
        break;
    }
    case 3:
        if (has_console) {
            random_bytes(bytes, sizeof bytes);
            (void)keyc_usb_console_write(&console, bytes, (uint16_t)chance(sizeof bytes));
            (void)keyc_usb_console_read(&console, bytes, (uint16_t)chance(sizeof bytes));
        }
        if (has_keys)
            (void)keyc_usb_keys_repeat_idle(&usb, now_us);
        break;
    case 4:
    case 5:
        if (has_keys)
            stroke();
        break;
    case 6:
    case 7:
    case 8:
        poll(2u + chance(KEYC_USB_PIPES - 2u));
        break;
    default:
        request();
    }
    take_back();
    check(usb.address <= 127, "an address above 127");
    check(usb.configuration <= 1, "a configuration that there isn't");
}

static int asked(uint8_t type, uint8_t kind, uint8_t number, uint8_t index, uint8_t *answer)
{
    const uint8_t setup[8] = {type, 6, number, kind, index, 0, 255, 0};
    return control(setup, 0, answer);
}

static void expect(int got, const uint8_t *answer, const uint8_t *wanted, uint32_t length, const char *what)
{
    check(got == (int)length && memcmp(answer, wanted, length) == 0, what);
}

/* Everything that waits on the console's pipe to the host; returns how many bytes. The last of them, at most
 * `room`, are in `last`. */
static uint32_t console_says(uint8_t *last, uint32_t room)
{
    struct keyc_usb_packet packet;
    uint8_t copy[64];
    uint32_t count = 0, pipe = KEYC_USB_PIPE_TO_HOST(4u);
    for (uint32_t packets = 0; next(pipe, &packet, copy) == KEYC_USB_PACKET; packets++) {
        check(packets <= KEYC_USB_CONSOLE_RING_BYTES / 64u + 2u, "text without end");
        for (uint32_t i = 0; i < packet.length; i++)
            last[count++ % room] = copy[i];
        done(pipe, copy, 0);
    }
    return count;
}

/* Its requests reach it, and only it; what is written comes out whole; what the host sends can be read. */
static void check_that_the_console_talks(void)
{
    static const uint8_t text[100] = {'t', 'e', 'x', 't', [99] = 'e'};
    uint8_t got[KEYC_USB_CONSOLE_RING_BYTES], coding[7], out[64] = {'t', 'o', [49] = 'o'};
    const uint8_t interface = (uint8_t)(usb.device->interfaces - 2u);
    struct keyc_usb_packet packet;
    uint32_t pipe = KEYC_USB_PIPE_FROM_HOST(4u);
    check(control((const uint8_t[8]){0x21, 0x20, 0, 0, interface, 0, 7, 0}, 0, coding) == 0, "not settable");
    check(control((const uint8_t[8]){0xA1, 0x21, 0, 0, interface, 0, 7, 0}, 0, got) == 7, "no line coding");
    check(memcmp(got, coding, sizeof coding) == 0, "another line coding");
    check(control((const uint8_t[8]){0xA1, 0x21, 0, 0, (uint8_t)(interface + 1u), 0, 7, 0}, 0, got) == -1,
          "the data interface has a line coding");
    (void)console_says(got, sizeof got); /* of before */
    check(keyc_usb_console_write(&console, text, sizeof text) == sizeof text, "the console takes no text");
    check(console_says(got, sizeof got) == sizeof text, "more or less than was written came out");
    check(memcmp(got, text, sizeof text) == 0, "another text came out");
    while (keyc_usb_console_read(&console, got, sizeof got))
        ;
    check(next(pipe, &packet, got) == KEYC_USB_PACKET, "no room for what the host sends");
    done(pipe, out, 50);
    check(keyc_usb_console_read(&console, got, sizeof got) == 50, "what the host sent was lost");
    check(memcmp(got, out, 50) == 0, "the host sent something else");
}

/* As on the first day: every descriptor, and no key down. */
static void check_that_all_is_well(void)
{
    uint8_t answer[256];
    static const uint8_t nothing[KEYC_USB_KEYBOARD_REPORT_BYTES];
    keyc_usb_suspended(&usb, false);
    keyc_usb_bus_reset(&usb);
    take_back();
    expect(asked(0x80, 1, 0, 0, answer), answer, usb.identity->device, 18, "another device descriptor");
    (void)control((const uint8_t[8]){0, 5, 44, 0, 0, 0, 0, 0}, 0, NULL);
    check(usb.address == 44, "the address isn't taken");
    expect(asked(0x80, 2, 0, 0, answer), answer, device->configuration, device->configuration_length,
           "another configuration descriptor");
    expect(asked(0x80, 3, 2, 9, answer), answer, title, sizeof title, "another title");
    check(asked(0x80, 3, 3, 9, answer) == -1, "a serial number out of nowhere");
    (void)control((const uint8_t[8]){0, 9, 1, 0, 0, 0, 0, 0}, 0, NULL);
    check(keyc_usb_is_configured(&usb), "it can't be configured");
    take_back();
    check(usb.context == (has_keys ? (void *)&keys : (void *)&console), "another state in its place");
    if (has_console)
        check_that_the_console_talks();
    if (!has_keys)
        return;
    for (uint32_t kind = 0; kind < KEYC_USB_REPORT_KINDS; kind++)
        for (uint32_t tries = 0; !keyc_usb_keys_send(&usb, kind, nothing, sizeof nothing, now_us); tries++) {
            check(tries < 4, "reports don't get through any more");
            for (uint32_t pipe = 2; pipe <= 4; pipe += 2) {
                struct keyc_usb_packet packet;
                uint8_t copy[64];
                if (next(pipe, &packet, copy) == KEYC_USB_PACKET)
                    done(pipe, copy, 0);
            }
        }
    for (uint32_t pipe = 2; pipe <= 4; pipe += 2) {
        struct keyc_usb_packet packet;
        uint8_t copy[64];
        for (uint32_t packets = 0; next(pipe, &packet, copy) == KEYC_USB_PACKET; packets++) {
            check(packets < 8, "reports without end");
            for (uint32_t i = pipe == 4; i < packet.length; i++)
                check(copy[i] == 0, "a key is still down");
            done(pipe, copy, 0);
        }
    }
}

int main(int argc, char **argv)
{
    const struct {
        const struct keyc_usb_device *device;
        const uint8_t *descriptor;
        int has_keys, has_console;
    } devices[] = {
        {&keyc_usb_keyboard, device_of_keys, 1, 0},
        {&keyc_usb_keyboard_and_controls, device_of_keys, 1, 0},
        {&keyc_usb_keyboard_and_pointer, device_of_keys, 1, 0},
        {&keyc_usb_console, device_of_console, 0, 1},
        {&trials[0].device, device_of_trial, 1, 1},
        {&trials[1].device, device_of_trial, 1, 1},
    };
    unsigned long steps = argc > 1 ? strtoul(argv[1], NULL, 10) : 10000;
    struct keyc_usb_identity identity = {NULL, {keyc_usb_languages, maker, title, NULL}};
    state = argc > 2 ? strtoull(argv[2], NULL, 10) : 0;
    keyc_usb_trial_begin(&trials[0], &keyc_usb_keyboard, &console);
    keyc_usb_trial_begin(&trials[1], &keyc_usb_keyboard_and_pointer, &console);
    for (size_t which = 0; which < sizeof devices / sizeof *devices; which++) {
        has_keys = devices[which].has_keys;
        has_console = devices[which].has_console;
        device = devices[which].device;
        identity.device = devices[which].descriptor;
        keyc_usb_console_begin(&console);
        keyc_usb_keys_begin(&keys);
        keyc_usb_begin(&usb, device, &identity, has_keys ? (void *)&keys : (void *)&console);
        check_that_all_is_well();
        for (step = 0; step < steps; step++) {
            any_event();
            if (step % STEPS_BETWEEN_CHECKS == 0)
                check_that_all_is_well();
        }
        check_that_all_is_well();
    }
    printf("%lu requests\n", requests);
    return 0;
}
