/* The pointer and the wheel: a step at once for each press, and more while it is held. The pointer
 * gains speed, from about 90 steps a second to about 1,500 within three quarters of one: slow enough for
 * a pixel, fast enough for a screen (our choice; common practice). */
#include "engine_internal.h"

#define KEYC_MOVE_US_SHIFT 10u /* it moves in units of 1,024 us, which takes no division */
#define KEYC_MOVES_AT_ONCE 16u
#define KEYC_PART_SHIFT 6u     /* a 64th of a step */
#define KEYC_FIRST_SPEED 6u    /* 64ths of a step in 1,024 us */
#define KEYC_GAIN_SHIFT 3u     /* one more every 8 units of time ... */
#define KEYC_GAIN_UNITS 744u   /* ... for so many of them */
#define KEYC_WHEEL_US 65536u   /* from notch to notch */
#define KEYC_STEPS_MOST 127

struct keyc_way {
    int right, down;
};

static struct keyc_way keyc_way_of(keyc_cell cell)
{
    struct keyc_way way = {0, 0};
    switch (cell & 3u) {
    case KEYC_POINTER_LEFT:
        way.right = -1;
        break;
    case KEYC_POINTER_RIGHT:
        way.right = 1;
        break;
    case KEYC_POINTER_UP:
        way.down = -1;
        break;
    default:
        way.down = 1;
    }
    return way;
}

static void keyc_add_steps(int8_t *moved, int steps)
{
    int sum = *moved + steps;
    *moved = (int8_t)(sum > KEYC_STEPS_MOST ? KEYC_STEPS_MOST : sum < -KEYC_STEPS_MOST ? -KEYC_STEPS_MOST : sum);
}

/* HID's wheel counts upwards, its pointer downwards. */
static void keyc_add_move(struct keyc_further *further, bool wheel, struct keyc_way way, int steps)
{
    keyc_add_steps(&further->moved[wheel ? 3 : 0], way.right * steps);
    keyc_add_steps(&further->moved[wheel ? 2 : 1], (wheel ? -way.down : way.down) * steps);
}

static bool keyc_is_pointer(keyc_cell cell)
{
    return KEYC_KIND(cell) == KEYC_KIND_MODE && KEYC_MODE(cell) == KEYC_MODE_POINTER;
}

static int keyc_sign(int number)
{
    return (number > 0) - (number < 0);
}

/* Where all held keys of the pointer, ways[0], and of the wheel together go. */
static void keyc_ways_held(const struct keyc_keyboard *keyboard, struct keyc_way *ways)
{
    for (unsigned n = 0; n < keyboard->held_count; ++n) {
        keyc_cell cell = keyboard->slots[n].held_cell;
        if (!keyc_is_pointer(cell))
            continue;
        struct keyc_way way = keyc_way_of(cell);
        struct keyc_way *sum = &ways[(cell & KEYC_POINTER_WHEEL) != 0];
        sum->right += way.right;
        sum->down += way.down;
    }
    for (unsigned n = 0; n < 2u; ++n) {
        ways[n].right = keyc_sign(ways[n].right);
        ways[n].down = keyc_sign(ways[n].down);
    }
}

static void keyc_begin_move(struct keyc_keyboard *keyboard, keyc_cell cell)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    if (!keyc_is_pointer(cell))
        return;
    keyc_add_move(further, (cell & KEYC_POINTER_WHEEL) != 0, keyc_way_of(cell), 1);
    if (cell & KEYC_POINTER_WHEEL) {
        further->wheeled_us = keyc_now_us(keyboard);
    } else if (!further->moving) {
        further->moving = true;
        further->moving_since_us = further->moved_us = keyc_now_us(keyboard);
        further->moved_part = 0;
    }
}

static int keyc_steps_due(struct keyc_further *further, uint32_t now_us)
{
    uint32_t units = (now_us - further->moved_us) >> KEYC_MOVE_US_SHIFT;
    further->moved_us += units << KEYC_MOVE_US_SHIFT;
    uint32_t since = (further->moved_us - further->moving_since_us) >> KEYC_MOVE_US_SHIFT;
    uint32_t speed = KEYC_FIRST_SPEED + ((since < KEYC_GAIN_UNITS ? since : KEYC_GAIN_UNITS) >> KEYC_GAIN_SHIFT);
    uint32_t parts = further->moved_part + speed * (units < KEYC_MOVES_AT_ONCE ? units : KEYC_MOVES_AT_ONCE);
    further->moved_part = (uint16_t)(parts & (keyc_bit(KEYC_PART_SHIFT) - 1u));
    return (int)(parts >> KEYC_PART_SHIFT);
}

static bool keyc_move(struct keyc_keyboard *keyboard)
{
    struct keyc_further *further = keyc_further_of(keyboard);
    uint32_t now_us = keyc_now_us(keyboard);
    struct keyc_way ways[2] = {{0, 0}, {0, 0}}, wheel;
    keyc_ways_held(keyboard, ways);
    wheel = ways[1];
    if (ways[0].right == 0 && ways[0].down == 0)
        further->moving = false;
    else
        keyc_add_move(further, false, ways[0], keyc_steps_due(further, now_us));
    if ((wheel.right != 0 || wheel.down != 0) && now_us - further->wheeled_us >= KEYC_WHEEL_US) {
        further->wheeled_us = now_us;
        keyc_add_move(further, true, wheel, 1);
    }
    bool moved = false;
    for (unsigned n = 0; n < sizeof further->moved; ++n)
        moved |= further->moved[n] != 0;
    if (moved)
        keyboard->host_knows = false;
    return moved;
}

const struct keyc_pointer_functions keyc_pointer_functions = {
    .begin = keyc_begin_move,
    .move = keyc_move,
};
