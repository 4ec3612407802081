/* Time in microseconds, and waiting asleep. */
#include "rp2040.h"

#define KEYC_ALARM_0 1u
/* Below this, going to sleep takes longer than the wait. */
#define KEYC_WORTH_SLEEPING_US 4u

static volatile bool keyc_alarm_came;
static volatile bool keyc_woken;

void keyc_rp2040_time_begin(void)
{
    KEYC_AT(KEYC_TIMER_INTE) = KEYC_ALARM_0;
    KEYC_AT(KEYC_NVIC_ISER) = 1u << KEYC_INTERRUPT_TIMER_0;
}

void keyc_rp2040_timer_handler(void)
{
    KEYC_AT(KEYC_TIMER_INTR) = KEYC_ALARM_0;
    keyc_alarm_came = true;
}

void keyc_rp2040_wake(void)
{
    keyc_woken = true;
}

/* WFE returns at once when an interrupt came since the last one, so none is slept through. It returns for
 * any interrupt, also for one of long ago: what counts is what the handlers noted. */
static void wait_for_interrupt(void)
{
    __asm__ volatile("wfe" ::: "memory");
}

/* False: that time is over already. An alarm matches one microsecond only; had an interrupt held us up
 * past it, it would come 71 minutes later, so the time is looked at once more after arming it. */
static bool alarm_set(uint32_t at_us)
{
    keyc_alarm_came = false;
    KEYC_AT(KEYC_TIMER_ALARM0) = at_us;
    return (int32_t)(keyc_rp2040_now_us() - at_us) < 0;
}

static void alarm_put_away(void)
{
    KEYC_AT(KEYC_TIMER_ARMED) = KEYC_ALARM_0;
}

void keyc_rp2040_wait_us(uint32_t us)
{
    uint32_t until_us = keyc_rp2040_now_us() + us + 1u; /* the microsecond we are in has begun already */
    if (us < KEYC_WORTH_SLEEPING_US) {
        while ((int32_t)(keyc_rp2040_now_us() - until_us) < 0) {
        }
    } else if (alarm_set(until_us)) {
        while (!keyc_alarm_came)
            wait_for_interrupt();
    } else {
        alarm_put_away();
    }
}

void keyc_rp2040_sleep_us(uint32_t us)
{
    /* Half the clock's round is the longest time that can be compared: 35 minutes. */
    if (alarm_set(keyc_rp2040_now_us() + (us < INT32_MAX ? us : INT32_MAX)))
        while (!keyc_alarm_came && !keyc_woken)
            wait_for_interrupt();
    keyc_woken = false;
    alarm_put_away();
}
