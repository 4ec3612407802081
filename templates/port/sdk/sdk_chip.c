/* Start, clocks, pins, time, sleep and the ROM, by the Pico SDK. What each function does is said in
 * rp2040.h. */
#include "rp2040.h"

#include "own.h"

#include "hardware/clocks.h"
#include "hardware/pll.h"
#include "hardware/watchdog.h"
#include "pico/bootrom.h"
#include "tusb.h"

#define KEYC_STACK_MARK 0x5AFEB077u
#define KEYC_WATCHDOG_MS 4000u
#define KEYC_PULL_DOWN_SETTLE_US 100u
#define KEYC_CRYSTAL_HZ 12000000u
#define KEYC_SLOW_USB_HZ 6000000u

extern uint32_t __StackBottom; /* of the SDK's linker scripts */

uint32_t keyc_sdk_lines;

static uint32_t watched_low, watched_high;
static uint alarm_number;
static volatile struct {
    bool alarm_came, woken;
} noted; /* by the interrupt handlers */

_Noreturn void keyc_sdk_panic(const char *what, ...);
void isr_hardfault(void);

__attribute__((weak)) void keyc_own_begin(void) {}
__attribute__((weak)) void keyc_own_step(void) {}

/* --- start, and what ends badly */

static void alarm_handler(uint number)
{
    (void)number;
    noted.alarm_came = true;
}

int main(void)
{
    __StackBottom = KEYC_STACK_MARK;
    watchdog_enable(KEYC_WATCHDOG_MS, false);
    alarm_number = (uint)hardware_alarm_claim_unused(true);
    hardware_alarm_set_callback(alarm_number, alarm_handler);
    keyc_own_begin();
    keyc_main();
}

void keyc_rp2040_all_is_well(void)
{
    keyc_own_step();
    if (__StackBottom != KEYC_STACK_MARK)
        keyc_rp2040_restart();
    watchdog_update();
}

/* The SDK's own word for a bug: let go of every line and begin again, as the images do on their own. */
void keyc_sdk_panic(const char *what, ...)
{
    (void)what;
    keyc_rp2040_restart();
}

void isr_hardfault(void)
{
    keyc_rp2040_restart();
}

void keyc_rp2040_restart(void)
{
    keyc_rp2040_drive_low(0);
    watchdog_reboot(0, 0, 0);
    for (;;) {
    }
}

void keyc_rp2040_restart_to_rom(void)
{
    keyc_rp2040_drive_low(0);
    (void)tud_disconnect(); /* the host sees us leave */
    watchdog_disable();     /* nobody will tell it that all is well */
    reset_usb_boot(0, 0);
    keyc_rp2040_restart(); /* the ROM doesn't come back */
}

void *keyc_rp2040_rom_function(char first, char second)
{
    return rom_func_lookup(ROM_TABLE_CODE(first, second));
}

/* --- clocks: the SDK has set them before main() */

void keyc_rp2040_clocks_slow(void)
{
    /* Erratum E12: clk_sys has to be faster than clk_usb, by a tenth at least. */
    clock_configure(clk_usb, 0, CLOCKS_CLK_USB_CTRL_AUXSRC_VALUE_XOSC_CLKSRC, KEYC_CRYSTAL_HZ,
                    KEYC_SLOW_USB_HZ);
    clock_configure(clk_sys, CLOCKS_CLK_SYS_CTRL_SRC_VALUE_CLK_REF, 0, KEYC_CRYSTAL_HZ, KEYC_CRYSTAL_HZ);
    pll_deinit(pll_sys);
    pll_deinit(pll_usb);
}

void keyc_rp2040_clocks_fast(void)
{
    pll_init(pll_sys, PLL_SYS_REFDIV, PLL_SYS_VCO_FREQ_HZ, PLL_SYS_POSTDIV1, PLL_SYS_POSTDIV2);
    pll_init(pll_usb, PLL_USB_REFDIV, PLL_USB_VCO_FREQ_HZ, PLL_USB_POSTDIV1, PLL_USB_POSTDIV2);
    clock_configure(clk_sys, CLOCKS_CLK_SYS_CTRL_SRC_VALUE_CLKSRC_CLK_SYS_AUX,
                    CLOCKS_CLK_SYS_CTRL_AUXSRC_VALUE_CLKSRC_PLL_SYS, SYS_CLK_HZ, SYS_CLK_HZ);
    clock_configure(clk_usb, 0, CLOCKS_CLK_USB_CTRL_AUXSRC_VALUE_CLKSRC_PLL_USB, USB_CLK_HZ, USB_CLK_HZ);
}

/* --- pins: inputs with a pull, or driven low at 2 mA and slow slew; their output level is always 0 */

static void watch(uint32_t low, uint32_t high)
{
    uint32_t before = watched_low | watched_high;
    watched_low = low;
    watched_high = high;
    for (uint gpio = 0; gpio < NUM_BANK0_GPIOS; gpio++) {
        if (before >> gpio & 1u)
            gpio_set_irq_enabled(gpio, GPIO_IRQ_LEVEL_LOW | GPIO_IRQ_LEVEL_HIGH, false);
        if (low >> gpio & 1u)
            gpio_set_irq_enabled(gpio, GPIO_IRQ_LEVEL_LOW, true);
        if (high >> gpio & 1u)
            gpio_set_irq_enabled(gpio, GPIO_IRQ_LEVEL_HIGH, true);
    }
}

/* Only an image that tells edges has it (rp2040_edges.c). */
__attribute__((weak)) void keyc_rp2040_io_handler(void);

static void line_handler(void)
{
    bool came = false;
    if (!(watched_low | watched_high)) {
        if (keyc_rp2040_io_handler)
            keyc_rp2040_io_handler();
        return;
    }
    for (uint gpio = 0; gpio < NUM_BANK0_GPIOS; gpio++) {
        uint32_t event = watched_low >> gpio & 1u ? GPIO_IRQ_LEVEL_LOW : GPIO_IRQ_LEVEL_HIGH;
        if ((watched_low | watched_high) >> gpio & 1u && gpio_get_irq_event_mask(gpio) & event)
            came = true;
    }
    if (!came)
        return; /* a pin of somebody else's */
    /* The level stays, so the interrupt is put away until the main program arms it again. */
    watch(0, 0);
    keyc_rp2040_wake();
}

void keyc_rp2040_pins_begin(uint32_t lines)
{
    keyc_sdk_lines = lines;
    gpio_init_mask(lines); /* inputs, and 0 is what they would be driven to */
    for (uint gpio = 0; gpio < NUM_BANK0_GPIOS; gpio++)
        if (lines >> gpio & 1u) {
            gpio_set_drive_strength(gpio, GPIO_DRIVE_STRENGTH_2MA);
            gpio_set_slew_rate(gpio, GPIO_SLEW_RATE_SLOW);
            gpio_set_input_hysteresis_enabled(gpio, true);
        }
    keyc_rp2040_pull_down(0, lines);
    gpio_add_raw_irq_handler_masked(lines, line_handler);
    keyc_rp2040_wake_on(0, 0);
}

void keyc_rp2040_pull_down(uint32_t lines, uint32_t others)
{
    keyc_rp2040_drive_low(0);
    for (uint gpio = 0; gpio < NUM_BANK0_GPIOS; gpio++)
        if ((lines | others) >> gpio & 1u)
            gpio_set_pulls(gpio, others >> gpio & 1u, lines >> gpio & 1u);
}

uint32_t keyc_rp2040_held_high(uint32_t lines)
{
    uint32_t high;
    keyc_rp2040_pull_down(lines, 0);
    keyc_rp2040_wait_us(KEYC_PULL_DOWN_SETTLE_US);
    high = keyc_rp2040_read_levels() & lines;
    keyc_rp2040_pull_down(0, lines);
    keyc_rp2040_wait_us(KEYC_PULL_DOWN_SETTLE_US);
    return high;
}

/* The overrides of the pin's own multiplexer, so that scanning doesn't touch it. */
void keyc_rp2040_set_light(uint32_t gpio, bool high)
{
    gpio_disable_pulls(gpio);
    gpio_set_drive_strength(gpio, GPIO_DRIVE_STRENGTH_2MA);
    gpio_set_slew_rate(gpio, GPIO_SLEW_RATE_SLOW);
    gpio_set_function(gpio, GPIO_FUNC_SIO);
    gpio_set_outover(gpio, high ? GPIO_OVERRIDE_HIGH : GPIO_OVERRIDE_LOW);
    gpio_set_oeover(gpio, GPIO_OVERRIDE_HIGH);
}

/* A level and not an edge: an edge would be lost on a line that a held key keeps low already. */
void keyc_rp2040_wake_on(uint32_t low, uint32_t high)
{
    irq_set_enabled(IO_IRQ_BANK0, false); /* the first one that is armed may come at once */
    watch(low, high);
    irq_set_enabled(IO_IRQ_BANK0, true);
}

/* --- time */

void keyc_rp2040_wait_us(uint32_t us)
{
    busy_wait_us_32(us + 1u); /* the microsecond we are in has begun already */
}

void keyc_rp2040_wake(void)
{
    noted.woken = true;
}

/* WFE returns at once when an interrupt came since the last one, so none is slept through. */
void keyc_rp2040_sleep_until(uint32_t at_us)
{
    int32_t within_us = (int32_t)(at_us - time_us_32());
    noted.alarm_came = false;
    if (within_us > 0 &&
        !hardware_alarm_set_target(alarm_number, make_timeout_time_us((uint64_t)within_us)))
        while (!noted.alarm_came && !noted.woken)
            __wfe();
    noted.woken = false;
    hardware_alarm_cancel(alarm_number);
}
