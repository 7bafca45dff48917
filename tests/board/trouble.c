/* The example receiver in an image, with the worst that a program can do to the processor it runs on.

   All is in one image. The tests write into the built file which of it the image does, because each build takes a
   second. */
#include "receiver.h"

#define DIES_AT_ONCE 1
#define LOOPS_AT_ONCE 2
#define EATS_THE_STACK 3     /* when a payload is short */
#define LOCKS_UP 4           /* a fault, and no way to tell of it */
#define FLOODS 5             /* talks without end */
#define TALKS_NONSENSE 6
#define SILENT_IN_FAILSAFE 7 /* sound: no pulses in failsafe */
#define WRITES_THROUGH_NULL 9
#define READS_THROUGH_NULL 10
#define WRITES_ITS_CODE 11
#define WRITES_PAST_THE_RAM 12
#define EATS_THE_STACK_AT_ONCE 13   /* with one large array */
#define WRITES_OVER_ITS_NEIGHBOURS 14   /* the harness's own buffers */
#define RETURNS_TOO_MANY 15   /* more widths than there is room for */
#define LOOPS_IN_PULSES 8    /* once a payload was short; only the watchdog gets through */
#define LOOPS_IN_PACKET 16   /* the same, while it takes that packet */

#define receiver_power_on sound_power_on
#define receiver_packet sound_packet
#define receiver_pulses sound_pulses
void sound_power_on(void *memory, uint32_t clock_us);
void sound_packet(void *memory, uint32_t clock_us, const uint8_t *payload, uint8_t length);
uint8_t sound_pulses(void *memory, uint32_t clock_us, uint16_t *widths_us, uint8_t room);
#include "receiver.c"
#undef receiver_power_on
#undef receiver_packet
#undef receiver_pulses

#include "image.h"

#define VECTORS (*(volatile uint32_t *)0xE000ED08u)   /* where the processor looks for its handlers */

static const volatile struct {
    char mark[15];   /* by which the tests find it */
    uint8_t trouble;
} chosen = {"which trouble: ", 0};

static bool was_short;

__attribute__((noinline)) static uint32_t deeper(volatile uint32_t *above)
{
    volatile uint32_t here[8] = {*above};
    return *above ? deeper(here) + here[0] : 0;
}

/* An address that the compiler does not see through. */
__attribute__((noinline)) static uintptr_t here(uintptr_t at)
{
    __asm__ volatile("" : "+r"(at));
    return at;
}

__attribute__((noinline)) static void large(void)
{
    volatile uint8_t array[3000];
    for (uint32_t at = 0; at < sizeof array; at++)
        array[at] = 1;
}

void receiver_power_on(void *memory, uint32_t clock_us)
{
    static const uint8_t said[200];
    sound_power_on(memory, clock_us);
    if (chosen.trouble == LOCKS_UP)
        VECTORS = 0x50000000u;   /* nothing is there */
    if (chosen.trouble == DIES_AT_ONCE || chosen.trouble == LOCKS_UP)
        __builtin_trap();
    while (chosen.trouble == LOOPS_AT_ONCE)
        was_short = true;
    while (chosen.trouble == FLOODS)
        line_put(BENCH_PORT, said, sizeof said);
    if (chosen.trouble == TALKS_NONSENSE)
        line_put(9, said, 3);
    if (chosen.trouble == WRITES_THROUGH_NULL)
        *(volatile uint32_t *)here(0) = 1;
    if (chosen.trouble == READS_THROUGH_NULL)
        (void)*(volatile uint32_t *)here(0);
    if (chosen.trouble == WRITES_ITS_CODE)
        *(volatile uint32_t *)here(0x800u) = 1;
    if (chosen.trouble == WRITES_PAST_THE_RAM)
        *(volatile uint32_t *)here(0x20004000u) = 1;
    if (chosen.trouble == EATS_THE_STACK_AT_ONCE)
        large();
    for (uint32_t at = 0; chosen.trouble == WRITES_OVER_ITS_NEIGHBOURS && at < 3000; at++)
        ((volatile uint8_t *)memory)[240 + at] = 0xA5;
}

void receiver_packet(void *memory, uint32_t clock_us, const uint8_t *payload, uint8_t length)
{
    volatile uint32_t start = 1;
    if (length < LINK_PAYLOAD_BYTES)
        was_short = true;
    if (chosen.trouble == EATS_THE_STACK && was_short)
        (void)deeper(&start);
    while (chosen.trouble == LOOPS_IN_PACKET && was_short) {}
    sound_packet(memory, clock_us, payload, length);
}

uint8_t receiver_pulses(void *memory, uint32_t clock_us, uint16_t *widths_us, uint8_t room)
{
    uint8_t count = sound_pulses(memory, clock_us, widths_us, room);
    if (chosen.trouble == RETURNS_TOO_MANY)
        return 200;
    while (chosen.trouble == LOOPS_IN_PULSES && *(volatile bool *)&was_short) {}
    return chosen.trouble == SILENT_IN_FAILSAFE && receiver_failsafe(memory) ? 0 : count;
}
