/* What compilers may call by themselves, so that the object needs no C library. */
#include <stddef.h>

void *memcpy(void *restrict target, const void *restrict source, size_t count);
void *memmove(void *target, const void *source, size_t count);
void *memset(void *target, int value, size_t count);
int memcmp(const void *one, const void *other, size_t count);

void *memcpy(void *restrict target, const void *restrict source, size_t count)
{
    unsigned char *to = target;
    const unsigned char *from = source;
    for (size_t n = 0; n < count; ++n)
        to[n] = from[n];
    return target;
}

void *memmove(void *target, const void *source, size_t count)
{
    unsigned char *to = target;
    const unsigned char *from = source;
    for (size_t n = 0; to < from && n < count; ++n)
        to[n] = from[n];
    while (to > from && count-- > 0)
        to[count] = from[count];
    return target;
}

void *memset(void *target, int value, size_t count)
{
    unsigned char *to = target;
    for (size_t n = 0; n < count; ++n)
        to[n] = (unsigned char)value;
    return target;
}

int memcmp(const void *one, const void *other, size_t count)
{
    const unsigned char *left = one;
    const unsigned char *right = other;
    for (size_t n = 0; n < count; ++n)
        if (left[n] != right[n])
            return left[n] < right[n] ? -1 : 1;
    return 0;
}
