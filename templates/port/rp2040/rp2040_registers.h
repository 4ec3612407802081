/* The RP2040's registers that the images use, by the names of its datasheet (chapter 2 and 4). */
#ifndef KEYC_RP2040_REGISTERS_H
#define KEYC_RP2040_REGISTERS_H

#include <stdint.h>

#define KEYC_AT(address) (*(volatile uint32_t *)(uintptr_t)(address))
/* Every peripheral register has aliases that set or clear bits at once (2.1.2). */
#define KEYC_SET(address) KEYC_AT((address) + 0x2000u)
#define KEYC_CLEAR(address) KEYC_AT((address) + 0x3000u)

/* Several registers of one block: the compiler doesn't see through the block's address, and so keeps one
 * address in the flash for all of them instead of one each. */
static inline uint32_t keyc_block_of(uint32_t address)
{
    address &= ~0xFFFu;
    __asm__("" : "+r"(address));
    return address;
}
#define KEYC_IN(block, address) KEYC_AT((block) + ((address)&0xFFFu))

/* Small enough to be wanted once only in the flash. */
#define KEYC_NOT_INLINE __attribute__((noinline))

/* 2.20: which chip this is */
#define KEYC_SYSINFO_CHIP_ID 0x40000000u
#define KEYC_CHIP_REVISION(chip_id) ((chip_id) >> 28)
#define KEYC_REVISION_B0_B1 1u

/* 2.9.6, 2.14: which blocks are in reset */
#define KEYC_RESETS_RESET 0x4000C000u
#define KEYC_RESETS_DONE 0x4000C008u
#define KEYC_RESET_IO_BANK0 (1u << 5)
#define KEYC_RESET_IO_QSPI (1u << 6)
#define KEYC_RESET_PADS_BANK0 (1u << 8)
#define KEYC_RESET_PADS_QSPI (1u << 9)
#define KEYC_RESET_PLL_SYS (1u << 12)
#define KEYC_RESET_PLL_USB (1u << 13)
#define KEYC_RESET_TIMER (1u << 21)
#define KEYC_RESET_USBCTRL (1u << 24)
#define KEYC_RESET_ALL 0x01FFFFFFu

/* 2.13: which parts of the chip a reset by the watchdog covers */
#define KEYC_PSM_WDSEL 0x40010008u
#define KEYC_PSM_ALL_BUT_OSCILLATORS 0x0001FFFCu

/* 2.15: clocks */
#define KEYC_CLOCKS_REF_CTRL 0x40008030u
#define KEYC_CLOCKS_SYS_CTRL 0x4000803Cu
#define KEYC_CLOCKS_SELECTED 8u /* behind either of these two: which source is in use, one bit each */
#define KEYC_CLOCKS_USB_CTRL 0x40008054u
#define KEYC_CLOCKS_REF_FROM_XOSC 2u
#define KEYC_CLOCKS_SYS_FROM_REF 0u
#define KEYC_CLOCKS_SYS_FROM_AUX 1u /* the auxiliary source 0 is PLL_SYS */
#define KEYC_CLOCKS_USB_DIV 0x40008058u
#define KEYC_CLOCKS_USB_DIVIDED_BY(divider) ((divider) << 8)
#define KEYC_CLOCKS_USB_ENABLE (1u << 11)
#define KEYC_CLOCKS_USB_FROM_PLL_USB 0u
#define KEYC_CLOCKS_USB_FROM_XOSC (3u << 5)

/* 2.16: the crystal's oscillator */
#define KEYC_XOSC_CTRL 0x40024000u
#define KEYC_XOSC_STATUS 0x40024004u
#define KEYC_XOSC_STARTUP 0x4002400Cu
#define KEYC_XOSC_1_TO_15_MHZ 0xAA0u
#define KEYC_XOSC_ENABLE (0xFABu << 12)
#define KEYC_XOSC_STABLE (1u << 31)

/* 2.18: the two PLLs */
#define KEYC_PLL_SYS 0x40028000u
#define KEYC_PLL_USB 0x4002C000u
#define KEYC_PLL_CS 0x0u
#define KEYC_PLL_PWR 0x4u
#define KEYC_PLL_FBDIV 0x8u
#define KEYC_PLL_PRIM 0xCu
#define KEYC_PLL_LOCKED (1u << 31)
#define KEYC_PLL_DIVIDERS(first, second) ((first) << 16 | (second) << 12)
#define KEYC_PLL_POWER_DOWN (1u << 0)
#define KEYC_PLL_POST_DIVIDERS_DOWN (1u << 3)
#define KEYC_PLL_VCO_DOWN (1u << 5)
#define KEYC_PLL_ALL_DOWN 0x2Du /* and the modulator, which nobody uses */

/* 4.7: the watchdog, which also makes the timer's tick */
#define KEYC_WATCHDOG_CTRL 0x40058000u
#define KEYC_WATCHDOG_LOAD 0x40058004u
#define KEYC_WATCHDOG_TICK 0x4005802Cu
#define KEYC_WATCHDOG_ENABLE (1u << 30)
#define KEYC_WATCHDOG_TRIGGER (1u << 31)
#define KEYC_WATCHDOG_TICK_ENABLE (1u << 9)

/* 4.6: the timer */
#define KEYC_TIMER_ALARM0 0x40054010u
#define KEYC_TIMER_ARMED 0x40054020u
#define KEYC_TIMER_NOW 0x40054028u
#define KEYC_TIMER_INTR 0x40054034u
#define KEYC_TIMER_INTE 0x40054038u

/* 2.19: pins */
#define KEYC_IO_CTRL(gpio) (0x40014004u + 8u * (gpio))
#define KEYC_IO_FUNCTION_SIO 5u
#define KEYC_IO_FUNCTION_USB_MUXING 8u /* of GPIO15: the USB controller's D+, for debugging */
#define KEYC_IO_OUTPUT_LOW (2u << 8)
#define KEYC_IO_OUTPUT_HIGH (3u << 8)
#define KEYC_IO_OUTPUT_OFF (2u << 12)
#define KEYC_IO_OUTPUT_ENABLED (3u << 12)
#define KEYC_IO_INPUT_HIGH (3u << 16)
#define KEYC_PINS_IN_A_WORD 8u /* of the next three, four bits each */
#define KEYC_IO_INTE(word) (0x40014100u + 4u * (word)) /* of core 0 */
#define KEYC_IO_INTS(word) (0x40014120u + 4u * (word))
#define KEYC_IO_INTR(word) (0x400140F0u + 4u * (word)) /* edges stay until they are written */
#define KEYC_IO_LEVEL_LOW 1u
#define KEYC_IO_LEVEL_HIGH 2u
#define KEYC_IO_EDGE_LOW 4u
#define KEYC_IO_EDGE_HIGH 8u
#define KEYC_PAD(gpio) (0x4001C004u + 4u * (gpio))
#define KEYC_PAD_SCHMITT (1u << 1)
#define KEYC_PAD_PULL_DOWN (1u << 2)
#define KEYC_PAD_PULL_UP (1u << 3)
#define KEYC_PAD_INPUT (1u << 6)
#define KEYC_GPIO_COUNT 30u

/* 2.3.1: the pins as the core sees them */
#define KEYC_SIO_IN 0xD0000004u
#define KEYC_SIO_OUT 0xD0000010u
#define KEYC_SIO_OE 0xD0000020u

/* 4.10: the interface to the flash chip */
#define KEYC_SSI_CTRLR0 0x18000000u
#define KEYC_SSI_SSIENR 0x18000008u
#define KEYC_SSI_SR 0x18000028u
#define KEYC_SSI_DR0 0x18000060u
#define KEYC_SSI_RECEIVED (1u << 3)
#define KEYC_IO_QSPI_SELECT_CTRL 0x4001800Cu

/* 4.1: the USB controller and its memory */
#define KEYC_USB_MEMORY 0x50100000u
#define KEYC_USB_MEMORY_BYTES 4096u
#define KEYC_USB_ADDRESS 0x50110000u
#define KEYC_USB_MAIN_CTRL 0x50110040u
#define KEYC_USB_SOF_RD 0x50110048u
#define KEYC_USB_SIE_CTRL 0x5011004Cu
#define KEYC_USB_SIE_STATUS 0x50110050u
#define KEYC_USB_BUFF_STATUS 0x50110058u
#define KEYC_USB_EP_STALL_ARM 0x50110068u
#define KEYC_USB_MUXING 0x50110074u
#define KEYC_USB_PWR 0x50110078u
#define KEYC_USB_PHY_DIRECT 0x5011007Cu
#define KEYC_USB_PHY_DIRECT_OVERRIDE 0x50110080u
#define KEYC_USB_INTE 0x50110090u
#define KEYC_USB_INTS 0x50110098u
#define KEYC_USB_CONTROLLER_ENABLE (1u << 0)
#define KEYC_USB_TO_PHY (1u << 0)
#define KEYC_USB_TO_DIGITAL_PAD (1u << 2)
#define KEYC_USB_SOFT_CONNECT (1u << 3)
#define KEYC_USB_VBUS_DETECTED (3u << 2) /* forced: this board has no sense pin */
#define KEYC_USB_EP0_EVERY_BUFFER (1u << 29)
#define KEYC_USB_PULL_UP (1u << 16)
#define KEYC_USB_RESUME (1u << 12)
#define KEYC_USB_PHY_PULL_UP (1u << 1)
#define KEYC_USB_PHY_PULL_UP_OVERRIDDEN (1u << 2)
#define KEYC_USB_STATUS_LINES (3u << 2)
#define KEYC_USB_LINES_IDLE (1u << 2) /* J; both bits 0: a reset */
#define KEYC_USB_STATUS_SUSPENDED (1u << 4)
#define KEYC_USB_STATUS_RESUMED (1u << 11)
#define KEYC_USB_STATUS_SETUP (1u << 17)
#define KEYC_USB_STATUS_BUS_RESET (1u << 19)
#define KEYC_USB_INT_BUFFERS (1u << 4)
#define KEYC_USB_INT_BUS_RESET (1u << 12)
#define KEYC_USB_INT_SUSPEND (1u << 14)
#define KEYC_USB_INT_RESUME (1u << 15)
#define KEYC_USB_INT_SETUP (1u << 16)
#define KEYC_USB_INT_FRAME (1u << 17)
#define KEYC_USB_ENDPOINT_ENABLE (1u << 31)
#define KEYC_USB_ENDPOINT_EVERY_BUFFER (1u << 29)
#define KEYC_USB_ENDPOINT_BULK (2u << 26)
#define KEYC_USB_ENDPOINT_INTERRUPT (3u << 26)
#define KEYC_USB_BUFFER_FULL (1u << 15)
#define KEYC_USB_BUFFER_LAST (1u << 14)
#define KEYC_USB_BUFFER_DATA1 (1u << 13)
#define KEYC_USB_BUFFER_STALL (1u << 11)
#define KEYC_USB_BUFFER_AVAILABLE (1u << 10)
#define KEYC_USB_BUFFER_LENGTH 0x3FFu

/* 2.4.8: the core's own */
#define KEYC_NVIC_ISER 0xE000E100u
#define KEYC_NVIC_ICER 0xE000E180u
#define KEYC_NVIC_ICPR 0xE000E280u
#define KEYC_NVIC_IPR(interrupt) (0xE000E400u + ((interrupt) & ~3u)) /* a byte each; its upper two bits */
#define KEYC_INTERRUPT_TIMER_0 0u
#define KEYC_INTERRUPT_USB 5u
#define KEYC_INTERRUPT_IO_BANK0 13u

#endif
