@ The second stage: the ROM copies these 252 bytes and their check sum from the start of the flash to
@ RAM, and runs them if the sum is right (RP2040 datasheet 2.8.1.3). Reads the flash with command 03h,
@ which every serial flash chip knows, at clk_sys / 4: 31 MHz once the clocks are up.
@ The check sum is put in after linking.

    .syntax unified
    .cpu cortex-m0plus
    .thumb

    .section .boot2, "ax"
    .global keyc_boot2
    .type keyc_boot2, %function
    .thumb_func
keyc_boot2:
    ldr r3, =0x18000000     @ SSI
    movs r0, #0
    str r0, [r3, #0x08]     @ SSIENR: off while it is set up
    movs r1, #4
    str r1, [r3, #0x14]     @ BAUDR: clock divided by 4
    ldr r1, =(31 << 16) | (3 << 8)
    str r1, [r3, #0x00]     @ CTRLR0: frames of 32 bits, read after write, one data line
    str r0, [r3, #0x04]     @ CTRLR1: one frame a read
    ldr r1, =(0x03 << 24) | (2 << 8) | (6 << 2)
    ldr r2, =0x180000F4
    str r1, [r2]            @ SPI_CTRLR0: command 03h of 8 bits, address of 24 bits
    movs r1, #1
    str r1, [r3, #0x08]     @ SSIENR: on; the flash can be read from here on

    ldr r0, =0x10000100     @ the vector table
    ldr r1, =0xE000ED08     @ VTOR
    str r0, [r1]
    ldmia r0!, {r1, r2}
    msr msp, r1
    bx r2
    .pool
