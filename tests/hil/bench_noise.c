/* Feeds the bench random console bytes, commands and board states; built with the sanitizers. */
#include "host_bench.h"

static uint32_t keyc_noise_state = 1;

static uint32_t noise(uint32_t below)
{
    keyc_noise_state = keyc_noise_state * 1664525u + 1013904223u;
    return (uint32_t)(((uint64_t)keyc_noise_state * below) >> 32);
}

static uint32_t noisy_mask(void)
{
    return noise(0x8000u) << 15 | noise(0x8000u);
}

static uint32_t put_command(uint8_t *to)
{
    static const char *const commands[] = {"who\n",        "look\n",          "look 3FC\n",  "watch 3FFFFFFF\n",
                                           "watch\n",      "stop\n",          "blink 25\n",  "received 9\n",
                                           "received 400\n", "send-again 0\n", "send-again 65535\n", "restart \n",
                                           "look *\n",     "*12345678\n",     " *\n",        "look *1234567 \n"};
    const char *command = commands[noise(sizeof commands / sizeof commands[0])];
    uint32_t length = 0;
    for (; command[length] != '\0'; ++length)
        to[length] = (uint8_t)command[length];
    if (noise(4) == 0)
        to[noise(length)] = (uint8_t)noise(256);
    return length;
}

int main(void)
{
    static struct keyc_host_bench host;
    static const struct keyc_bench_identity identity = {
        .usable_pins = 0x3FFFFFFFu, .cathode_lines = 0x1Cu, .anode_lines = 0x3C0u, .direct_lines = 0x400u,
        .lit_high = 0x2000004u}; /* GPIO25; and GPIO2, which is a line and must not be taken for a light */
    uint8_t bytes[256];
    keyc_host_bench_begin(&host, &identity, 0);
    for (uint32_t round = 0; round < 20000; ++round) {
        uint32_t count = 0;
        if (keyc_host_bench_is_gone(&host))
            keyc_host_bench_begin(&host, &identity, keyc_host_bench_clock_us(&host));
        if (noise(3) == 0)
            for (count = noise(80); count > 0; --count) {
                uint8_t byte = (uint8_t)noise(256);
                (void)keyc_host_bench_send(&host, &byte, 1);
            }
        count = put_command(bytes);
        (void)keyc_host_bench_send(&host, bytes, count);
        if (noise(4) == 0) {
            uint32_t rows[KEYC_LINES], rises[KEYC_LINES];
            for (unsigned n = 0; n < KEYC_LINES; ++n) {
                rows[n] = noise(3) == 0 ? noisy_mask() : (uint32_t)1 << n;
                rises[n] = noise(8) == 0 ? noise(2000) : 3;
            }
            keyc_host_set_lines(&host.lines, noise(2) != 0 ? 0 : noisy_mask(), noise(2) != 0 ? 0x3FFFFFFFu : noisy_mask(),
                                rows, rises);
            keyc_host_bench_set_resets(&host, noise(20) == 0 ? noisy_mask() : 0);
        }
        keyc_host_bench_run(&host, keyc_host_bench_clock_us(&host) + noise(3000));
        for (unsigned pin = 0; pin < KEYC_BENCH_PINS; ++pin)
            if (pin != 25u && host.driven_high_us[pin] != 0)
                return 1;
        if (noise(5) != 0)
            while (keyc_host_bench_receive(&host, bytes, sizeof bytes) != 0) {
            }
    }
    return 0;
}
