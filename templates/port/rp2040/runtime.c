/* What a compiler may call without being asked to. No C library is linked. */
#include <stddef.h>
#include <stdint.h>

/* Link-time optimisation doesn't see these calls coming. */
#define KEYC_KEPT __attribute__((used))

KEYC_KEPT void *memcpy(void *restrict to, const void *restrict from, size_t count);
KEYC_KEPT void *memset(void *to, int value, size_t count);
KEYC_KEPT void __aeabi_memcpy(void *to, const void *from, size_t count);
KEYC_KEPT void __aeabi_memcpy4(void *to, const void *from, size_t count);
KEYC_KEPT void __aeabi_memcpy8(void *to, const void *from, size_t count);
KEYC_KEPT void __aeabi_memset(void *to, size_t count, int value);
KEYC_KEPT void __aeabi_memclr(void *to, size_t count);
KEYC_KEPT void __aeabi_memclr4(void *to, size_t count);
KEYC_KEPT void __aeabi_memclr8(void *to, size_t count);
KEYC_KEPT uint64_t __aeabi_uidivmod(uint32_t dividend, uint32_t divisor);
KEYC_KEPT uint32_t __aeabi_uidiv(uint32_t dividend, uint32_t divisor);

void *memcpy(void *restrict to, const void *restrict from, size_t count)
{
    uint8_t *out = to;
    const uint8_t *in = from;
    while (count--)
        *out++ = *in++;
    return to;
}

void *memset(void *to, int value, size_t count)
{
    uint8_t *out = to;
    while (count--)
        *out++ = (uint8_t)value;
    return to;
}

/* Run-time ABI for the Arm architecture (Arm IHI 0043), 4.3.4 and 4.3.1. */
void __aeabi_memcpy(void *to, const void *from, size_t count)
{
    (void)memcpy(to, from, count);
}
void __aeabi_memcpy4(void *to, const void *from, size_t count)
{
    (void)memcpy(to, from, count);
}
void __aeabi_memcpy8(void *to, const void *from, size_t count)
{
    (void)memcpy(to, from, count);
}
void __aeabi_memset(void *to, size_t count, int value)
{
    (void)memset(to, value, count);
}
void __aeabi_memclr(void *to, size_t count)
{
    (void)memset(to, 0, count);
}
void __aeabi_memclr4(void *to, size_t count)
{
    (void)memset(to, 0, count);
}
void __aeabi_memclr8(void *to, size_t count)
{
    (void)memset(to, 0, count);
}

/* The core can't divide. The quotient goes to r0 and the remainder to r1: a 64-bit result. The chip's
 * own divider would do it faster, but an interrupt would have to save and restore it. */
uint64_t __aeabi_uidivmod(uint32_t dividend, uint32_t divisor)
{
    uint32_t quotient = 0, remainder = 0;
    for (uint32_t bit = 32; bit-- > 0;) {
        remainder = remainder << 1 | (dividend >> bit & 1u);
        if (divisor && remainder >= divisor) {
            remainder -= divisor;
            quotient |= 1u << bit;
        }
    }
    return (uint64_t)remainder << 32 | quotient;
}

uint32_t __aeabi_uidiv(uint32_t dividend, uint32_t divisor)
{
    return (uint32_t)__aeabi_uidivmod(dividend, divisor);
}
