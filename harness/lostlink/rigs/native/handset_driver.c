/* A handset's hardware around compiled firmware: all calls of a span of virtual time in which no control moves and no
 * fault begins or ends, without Python in between.
 *
 * It does what Life.step and HandsetRadio.hand_over in lostlink_sims do, to the microsecond. structure.py holds
 * the same structure. A function returns when the span is over (DONE), when the room for results is used up or, where packets
 * are acknowledged, after a packet (FULL), before the call that is known not to return (STOPPED), because the next turn is wanted at
 * once too often (SPUN), or because the program gives more bytes than there is room for (LONG) or an address of another
 * length (ADDRESS).
 */
#include <string.h>

#include "driver.h"

#define INPUTS 48
#define BYTES 32
#define PACKETS 1024
#define ALARMS 64
#define RESULTS 64
#define FETCHED 1024
#define TOP_READING 1023

enum { POWER_ON = 1, TURN, PACKET, INTERRUPT, SENT, RADIO, ALARM }; /* steps of the program, as in firmware.HANDSET */
enum { OUT, TAKES_NONE = 3, DEAD = 4 };                             /* results, as in lostlink_sims Sent */

typedef struct {
    /* The program; the last four may be missing. */
    void *memory;
    bool (*turn)(void *, uint32_t, const uint16_t *, const uint8_t *, uint32_t *);
    uint8_t (*packet)(void *, uint32_t, uint8_t *, uint8_t);
    uint8_t (*interrupt)(void *, uint32_t, uint8_t *, uint8_t);
    void (*sent)(void *, uint32_t, uint8_t);
    uint8_t (*radio)(void *, uint32_t, uint8_t *, uint8_t);
    uint8_t (*alarm)(void *, uint32_t);
    uint8_t *payload; /* BYTES, kept between calls */
    uint32_t *wanted;
    volatile int64_t *calls; /* as in driver.c */
    int64_t stop_at, first_step;

    /* The hardware. */
    int64_t boot_us, clock_base, rate, interval_us, turn_takes_us, counts_spins, most_spins;
    int64_t inputs, address_bytes, acknowledges, refusal_us;
    int64_t sends_for_us[BYTES + 1];
    uint8_t own_address[BYTES];

    /* The span. */
    int64_t until_us, sweep, is_busy, answers;
    const int64_t *noise; /* (inputs, FETCHED), or null */
    int64_t readings[INPUTS], has_noise[INPUTS];
    uint8_t positions[INPUTS];

    /* State. */
    int64_t now_us, where, timer_us, packet_us, turn_us, result_us, spins, free_us, has_address;
    uint8_t address[BYTES];
    int64_t results, result_at_us[RESULTS], result[RESULTS];
    int64_t last_alarm;

    /* What the calls gave. */
    int64_t length; /* of what is too long */
    int64_t sweeps, packets, alarms;
    int64_t at_us[PACKETS], lengths[PACKETS], elsewhere[PACKETS];
    uint8_t payloads[PACKETS * BYTES];
    int64_t alarm_at_us[ALARMS], alarm_value[ALARMS];
} Handset;

static int64_t larger(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t own_us(const Handset *h)
{
    return floor_div((h->now_us - h->boot_us) * h->rate, MILLION);
}

static uint32_t clock_now(const Handset *h)
{
    return (uint32_t)(h->clock_base + own_us(h));
}

/* The first microsecond at which the clock is so far ahead; more than half its range ahead is past. */
static int64_t real_us(const Handset *h, int64_t own, int64_t ahead)
{
    if (ahead <= HALF)
        own += ahead;
    return h->boot_us - floor_div(-own * MILLION, h->rate);
}

static bool begin(Handset *h, int64_t step)
{
    int64_t number = h->calls[0] + 1;
    h->where = step;
    h->calls[0] = number;
    if (number == h->stop_at)
        return false;
    h->calls[1] = h->first_step + step;
    return true;
}

static void end(Handset *h)
{
    h->calls[1] = -1;
}

static void plan_result(Handset *h)
{
    int64_t turn_ends_us = h->packet_us == FAR_US ? 0 : h->packet_us;
    h->result_us = h->results ? larger(h->result_at_us[0], turn_ends_us) : FAR_US;
}

/* Results are in the order of their instants, at the same one in that of their numbers. */
static void add_result(Handset *h, int64_t result, int64_t at_us)
{
    int64_t k = h->results;
    if (!h->sent)
        return;
    while (k > 0 && (h->result_at_us[k - 1] > at_us || (h->result_at_us[k - 1] == at_us && h->result[k - 1] > result))) {
        h->result_at_us[k] = h->result_at_us[k - 1];
        h->result[k] = h->result[k - 1];
        k--;
    }
    h->result_at_us[k] = at_us;
    h->result[k] = result;
    h->results++;
    plan_result(h);
}

static int ask(Handset *h, int64_t step, uint8_t (*function)(void *, uint32_t, uint8_t *, uint8_t))
{
    if (!begin(h, step))
        return STOPPED;
    h->length = function(h->memory, clock_now(h), h->payload, BYTES);
    end(h);
    return h->length > BYTES ? LONG : DONE;
}

/* Whether the program has written an address to its radio. */
static int set_up(Handset *h)
{
    int status;
    if (!h->address_bytes)
        return DONE;
    status = ask(h, RADIO, h->radio);
    if (status != DONE || !h->length)
        return status;
    if (h->length != h->address_bytes)
        return ADDRESS;
    if (h->answers) {
        memcpy(h->address, h->payload, (size_t)h->length);
        h->has_address = 1;
    }
    return DONE;
}

static void hand_over(Handset *h)
{
    bool is_dead = !h->answers || (h->address_bytes && !h->has_address);
    int64_t n = h->packets;
    if (is_dead || h->now_us < h->free_us || h->is_busy) {
        add_result(h, is_dead ? DEAD : TAKES_NONE, h->now_us + h->refusal_us);
        return;
    }
    h->free_us = h->now_us + h->sends_for_us[h->length];
    h->at_us[n] = h->now_us;
    h->lengths[n] = h->length;
    h->elsewhere[n] = h->address_bytes && memcmp(h->address, h->own_address, (size_t)h->address_bytes);
    memcpy(h->payloads + n * BYTES, h->payload, (size_t)h->length);
    h->packets++;
    if (!h->acknowledges)
        add_result(h, OUT, h->free_us);
}

static void plan_timer(Handset *h)
{
    int64_t own = own_us(h);
    h->timer_us = larger(h->now_us, real_us(h, own, h->interval_us - own % h->interval_us));
}

static int tick(Handset *h)
{
    int status;
    plan_timer(h);
    status = ask(h, INTERRUPT, h->interrupt);
    if (status == DONE && h->length) {
        h->spins = 0;
        hand_over(h);
    }
    return status;
}

static int give_result(Handset *h)
{
    int64_t result = h->result[0];
    int status;
    h->results--;
    memmove(h->result_at_us, h->result_at_us + 1, (size_t)h->results * sizeof *h->result_at_us);
    memmove(h->result, h->result + 1, (size_t)h->results * sizeof *h->result);
    plan_result(h);
    if (!begin(h, SENT))
        return STOPPED;
    h->sent(h->memory, clock_now(h), (uint8_t)result);
    end(h);
    status = set_up(h);
    if (status != DONE)
        return status;
    if (h->turn_us == FAR_US)
        h->turn_us = h->now_us;
    status = ask(h, PACKET, h->packet);
    if (status == DONE && h->length)
        hand_over(h);
    return status;
}

static void sweep(Handset *h, uint16_t *readings)
{
    for (int64_t k = 0; k < h->inputs; k++) {
        int64_t reading = h->readings[k];
        if (h->has_noise[k]) {
            if (h->noise)
                reading += h->noise[k * FETCHED + h->sweep];
            reading = reading < 0 ? 0 : reading > TOP_READING ? TOP_READING : reading;
        }
        readings[k] = (uint16_t)reading;
    }
    h->sweep++;
    h->sweeps++;
}

static int turn(Handset *h)
{
    uint16_t readings[INPUTS] = {0};
    uint8_t positions[INPUTS];
    int64_t own = own_us(h);
    uint32_t clock = (uint32_t)(h->clock_base + own);
    bool is_wanted;
    sweep(h, readings);
    memcpy(positions, h->positions, sizeof positions);
    if (!begin(h, TURN))
        return STOPPED;
    is_wanted = h->turn(h->memory, clock, readings, positions, h->wanted);
    end(h);
    if (h->alarm) {
        int64_t alarm;
        if (!begin(h, ALARM))
            return STOPPED;
        alarm = h->alarm(h->memory, clock);
        end(h);
        if (alarm != h->last_alarm) {
            h->last_alarm = alarm;
            h->alarm_at_us[h->alarms] = h->now_us;
            h->alarm_value[h->alarms++] = alarm;
        }
    }
    h->packet_us = h->now_us + h->turn_takes_us;
    h->turn_us = FAR_US;
    if (is_wanted)
        h->turn_us = larger(larger(h->now_us + 1, h->packet_us), real_us(h, own, (uint32_t)(*h->wanted - clock)));
    if (h->results)
        plan_result(h);
    return DONE;
}

static int end_turn(Handset *h)
{
    int status = set_up(h);
    if (status == DONE)
        status = ask(h, PACKET, h->packet);
    if (status != DONE)
        return status;
    h->packet_us = FAR_US;
    if (h->length) {
        h->spins = 0;
        hand_over(h);
    } else if (h->turn_us > h->now_us + 1)
        h->spins = 0;
    else if (h->counts_spins && ++h->spins > h->most_spins)
        return SPUN;
    return DONE;
}

DRIVER_API int64_t handset_driver_bytes(void)
{
    return (int64_t)sizeof(Handset);
}

DRIVER_API int handset_driver_span(Handset *h)
{
    for (;;) {
        int64_t loop_us = h->packet_us < h->turn_us ? h->packet_us : h->turn_us;
        int64_t other_us = h->result_us < h->timer_us ? h->result_us : h->timer_us;
        int64_t now_us = loop_us < other_us ? loop_us : other_us;
        int status;
        if (now_us >= h->until_us)
            return DONE;
        if (h->packets == (h->acknowledges ? 1 : PACKETS) || h->alarms == ALARMS || h->results >= RESULTS - 1 ||
            (h->noise && h->sweep == FETCHED))
            return FULL;
        h->now_us = now_us;
        if (now_us == h->result_us)
            status = give_result(h);
        else if (now_us == h->timer_us)
            status = tick(h);
        else if (now_us == h->packet_us)
            status = end_turn(h);
        else
            status = turn(h);
        if (status != DONE)
            return status;
    }
}
