/* A receiver for tests of who calls it: its pulses show a digest of all calls so far, with their order, clocks and
 * payloads, so that any difference is seen. CHARACTER chooses what it asks for. It has variables of every kind: a board
 * begins with all of them as they are in the file.
 */
#include "receiver.h"

#define EACH_500_US 0 /* iterations at whole multiples of its clock: at the instants of packets and frames too */
#define IN_THE_PAST 1 /* wants its next iteration in the past, then far ahead */
#define ONLY_PACKETS 2 /* mostly wants none */
#define CEASES 3      /* sometimes no pulses, sometimes more than there is room for, or too wide ones */
#define SPINS 4       /* wants its next iteration at once, after some time */

static uint32_t digest = 2166136261u; /* initialised */
static uint32_t calls;                /* zero */
static bool flag = true;

static void mix(uint32_t value)
{
    static uint32_t mixed = 7; /* within a function */
    digest = (digest ^ value ^ mixed++) * 16777619u;
}

void receiver_power_on(void *memory, uint32_t clock_us)
{
    uint32_t *own = memory;
    mix(own[0] + own[63]);
    own[0] = own[63] = clock_us + 1;
    mix(clock_us);
}

void receiver_packet(void *memory, uint32_t clock_us, const uint8_t *payload, uint8_t length)
{
    (void)memory;
    mix(clock_us);
    mix(length);
    for (uint8_t at = 0; at < length; at++)
        mix(payload[at]);
}

bool receiver_turn(void *memory, uint32_t clock_us, uint32_t *wanted_us)
{
    mix(clock_us + 1);
    mix(((uint32_t *)memory)[63]++);
    calls++;
    flag = (digest >> 9 & 31) != 0 ? flag : !flag;
    switch (CHARACTER) {
    case IN_THE_PAST:
        *wanted_us = clock_us + (clock_us & 1 ? (uint32_t)-20 : 1501);
        return true;
    case ONLY_PACKETS:
        if (digest & 3)
            return false;
        if (digest & 8) /* else what it wanted before */
            *wanted_us = clock_us + (digest >> 8 & 0xffff);
        return true;
    case SPINS:
        *wanted_us = clock_us + (calls > 150 ? 0 : 700);
        return true;
    default:
        *wanted_us = clock_us / 500 * 500 + 500;
        return true;
    }
}

uint8_t receiver_pulses(void *memory, uint32_t clock_us, uint16_t *widths_us, uint8_t room)
{
    (void)memory;
    mix(clock_us + 2);
    if (CHARACTER == CEASES && (digest & 7) == 0)
        return 0;
    uint8_t count = CHARACTER == CEASES && (digest & 7) == 1 ? room : (uint8_t)(1 + (digest >> 5 & 7));
    for (uint8_t channel = 0; channel < count; channel++)
        if ((digest >> channel & 15) != 3) /* else the width of before */
            widths_us[channel] = (uint16_t)(900 + (digest >> channel) % 1300);
    if (CHARACTER == CEASES && (digest & 7) > 5)
        widths_us[0] = (uint16_t)(digest & 64 ? 65535 : digest % 700);
    if ((digest & 127) == 9)
        flag = !flag;
    return CHARACTER == CEASES && (digest & 7) == 1 ? 200 : count;
}

bool receiver_failsafe(const void *memory)
{
    (void)memory;
    return flag;
}

uint32_t receiver_interface(void)
{
    digest++; /* before each power-on */
    return RECEIVER_INTERFACE;
}
