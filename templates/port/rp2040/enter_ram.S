@ The ROM starts an image in RAM at its lowest address, and takes what it finds there for code
@ (RP2040 datasheet 2.8.4.2). From here on flash and RAM images start alike.

    .syntax unified
    .cpu cortex-m0plus
    .thumb

    .section .enter, "ax"
    .global keyc_enter_ram
    .type keyc_enter_ram, %function
    .thumb_func
keyc_enter_ram:
    ldr r0, =keyc_vectors
    ldr r1, =0xE000ED08     @ VTOR
    str r0, [r1]
    ldmia r0!, {r1, r2}
    msr msp, r1
    bx r2
    .pool
