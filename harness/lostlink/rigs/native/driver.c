/* A receiver's hardware around compiled firmware: all calls of a span of virtual time, without Python in between.
 *
 * It does what lostlink_sims.board.Board does, to the microsecond: it calls the program after a packet, at the clock
 * value that the program requested, and at the start of each frame; at equal instants in this order. structure.py holds
 * the same structure. C99 without extensions, for any computer.
 *
 * A function returns when the span is over (DONE), when the room for results is used up (FULL: take them out and
 * call again), or when the run ends: before the call that is known not to return (STOPPED), because the main loop
 * wants its next iteration at once too often in a row (SPUN), or too many iterations (BUSY).
 */
#include <string.h>

#include "driver.h"

#define ROOM 16
#define FRAMES 512
#define FLAGS 512

enum { POWER_ON = 1, PACKET, TURN, PULSES };                     /* steps of the program, as in firmware.RECEIVER */
enum { IN_POWER_ON, IN_PACKET, IN_TURN, IN_PLAN, IN_PULSES }; /* where the run ended */

typedef struct {
    /* The program. */
    void *memory;
    void (*power_on)(void *, uint32_t);
    void (*packet)(void *, uint32_t, const uint8_t *, uint8_t);
    bool (*turn)(void *, uint32_t, uint32_t *);
    uint8_t (*pulses)(void *, uint32_t, uint16_t *, uint8_t);
    bool (*failsafe)(const void *);
    /* Memory shared with the parent process: the number of calls so far, and the step of the current one (-1: none). */
    volatile int64_t *calls;
    int64_t stop_at; /* number of the call that is known not to return */

    /* The hardware. */
    int64_t ppm, period_us, rest, gap_us, separator_us, unused_us; /* gap_us is -1 without a fixed gap */
    int64_t is_live;                                               /* widths are read during a frame */
    int64_t most_spins;                                            /* iterations at once, in a row */
    int64_t most_turns, least_spins, spin_us; /* limit of iterations (0: none); what a spinning loop gets */

    /* Packets of the span. */
    const int64_t *at_us;
    const uint8_t *payloads, *lengths; /* one after the other; without lengths: `length` bytes each, every `stride` */
    int64_t packets, length, stride;

    /* State. */
    int64_t next, payload_at, payload_bytes; /* the next packet; bytes of the one before */
    int64_t powered_us, clock_base, carried, now_us;
    int64_t loop_at_us, frame_at_us;
    int64_t wants, flag, is_hung, is_silent;
    int64_t spins, turns_left, idle_spins;
    int64_t slots, slot, began_us; /* of a frame whose widths are read one by one */
    uint32_t loop_clock, wanted, requested;
    uint16_t own_us[256];
    uint8_t payload[256];

    /* Results. */
    int64_t turns, where;
    int64_t frames, widths, begun, flags; /* begun: widths of the frame that was open at the last call */
    int64_t start_us[FRAMES], count[FRAMES], width_us[FRAMES * ROOM];
    int64_t flag_at_us[FLAGS], flag_value[FLAGS];
} Board;

static uint32_t clock_at(const Board *b, int64_t now_us)
{
    int64_t since_us = now_us - b->powered_us;
    return (uint32_t)(b->clock_base + since_us + floor_div(since_us * b->ppm, MILLION));
}

static int64_t real_us(const Board *b, int64_t own_us)
{
    int64_t rate = MILLION + b->ppm;
    return own_us - floor_div(2 * own_us * b->ppm + rate, 2 * rate);
}

/* --- calls of the program ------------------------------------------------------------------------------------- */

static bool begin(Board *b, int64_t step)
{
    int64_t number = b->calls[0] + 1;
    b->calls[0] = number;
    if (number == b->stop_at)
        return false;
    b->calls[1] = step;
    return true;
}

/* Every call may change the flag. */
static bool end(Board *b)
{
    bool is_on = b->failsafe(b->memory);
    b->calls[1] = -1;
    return is_on;
}

static void put_flag(Board *b, bool is_on)
{
    b->flag = is_on;
    b->flag_at_us[b->flags] = b->now_us;
    b->flag_value[b->flags++] = is_on;
}

static void see_flag(Board *b, bool is_on)
{
    if (is_on != (b->flag != 0))
        put_flag(b, is_on);
}

static int stopped(Board *b, int64_t where, int status)
{
    b->where = where;
    return status;
}

static int turn(Board *b, uint32_t clock, int64_t where)
{
    if (b->most_turns && --b->turns_left < 0)
        return stopped(b, where, BUSY);
    if (!begin(b, TURN))
        return stopped(b, where, STOPPED);
    b->wants = b->turn(b->memory, clock, &b->requested);
    see_flag(b, end(b));
    b->wanted = b->requested;
    if (b->most_turns) {
        uint32_t ahead = b->wanted - clock;
        if (!b->wants || (ahead > 0 && ahead <= HALF))
            b->idle_spins = 0;
        else if (++b->idle_spins >= b->least_spins)
            b->wanted = clock + (uint32_t)b->spin_us;
    }
    return DONE;
}

/* Plan an iteration at the first microsecond at which the clock shows the requested value. */
static int plan(Board *b, uint32_t clock, int64_t where)
{
    int64_t ahead = b->wanted - clock, rate = MILLION + b->ppm, since_us = b->now_us - b->powered_us;
    int64_t wanted_us, at_us;
    if (!b->wants)
        return DONE;
    if (ahead > 0 && ahead <= HALF)
        b->spins = 0;
    else {
        ahead = 0; /* wanted in the past: at once */
        if (++b->spins > b->most_spins)
            return stopped(b, where, SPUN);
    }
    wanted_us = (floor_div(since_us * rate, MILLION) + ahead) * MILLION;
    at_us = b->powered_us - floor_div(-wanted_us, rate);
    if (at_us <= b->now_us)
        at_us = b->now_us + 1;
    if (at_us < b->loop_at_us) {
        b->loop_at_us = at_us;
        b->loop_clock = b->wanted;
    }
    return DONE;
}

static int iterate(Board *b)
{
    uint32_t clock = clock_at(b, b->now_us);
    int status = turn(b, clock, IN_TURN);
    return status != DONE ? status : plan(b, clock, IN_PLAN);
}

static int take_packet(Board *b)
{
    int64_t length = b->lengths ? b->lengths[b->next] : b->length;
    uint32_t clock;
    int status;
    b->now_us = b->at_us[b->next++];
    clock = clock_at(b, b->now_us);
    /* What a program reads behind the payload is the same in each run. */
    if (length < b->payload_bytes)
        memset(b->payload + length, 0, (size_t)(b->payload_bytes - length));
    memcpy(b->payload, b->payloads + b->payload_at, (size_t)length);
    b->payload_bytes = length;
    b->payload_at += b->lengths ? length : b->stride;
    if (!begin(b, PACKET))
        return stopped(b, IN_PACKET, STOPPED);
    b->packet(b->memory, clock, b->payload, (uint8_t)length);
    (void)end(b);
    status = turn(b, clock, IN_PACKET);
    /* A deadline after the pending iteration needs no plan: that iteration checks it. */
    if (status == DONE && (b->loop_at_us == FAR_US || b->wanted - b->loop_clock > HALF))
        return plan(b, clock, IN_PACKET);
    return status;
}

static int on_loop(Board *b)
{
    uint32_t ahead;
    b->now_us = b->loop_at_us;
    b->loop_at_us = FAR_US;
    if (b->is_hung || !b->wants)
        return DONE;
    ahead = b->wanted - clock_at(b, b->now_us);
    if (ahead > 0 && ahead <= HALF)
        return plan(b, clock_at(b, b->now_us), IN_PLAN);
    b->turns++;
    return iterate(b);
}

/* --- output timer --------------------------------------------------------------------------------------------- */

static int64_t next_period_us(Board *b)
{
    b->carried += b->rest;
    if (b->carried < MILLION + b->ppm)
        return b->period_us;
    b->carried -= MILLION + b->ppm;
    return b->period_us + 1;
}

/* The time from the start of a frame to the start of the next. One that is longer than its period is followed at once
 * by the next. */
static int64_t pause_us(Board *b, int64_t total_us)
{
    int64_t least_us = total_us + 2 * b->separator_us, period_us;
    if (b->gap_us >= 0)
        return total_us + b->gap_us;
    period_us = next_period_us(b);
    return least_us > period_us ? least_us : period_us;
}

/* The width after truncation to the 16 bits of the timer's register, at least 1 µs more than the separator. */
static int64_t register_us(const Board *b, int64_t own_us)
{
    int64_t width_us = real_us(b, own_us) & 0xffff;
    return width_us > b->separator_us ? width_us : b->separator_us + 1;
}

static bool pulses(Board *b, int *count, bool *is_on)
{
    if (!begin(b, PULSES))
        return false;
    *count = b->pulses(b->memory, clock_at(b, b->now_us), b->own_us, ROOM);
    *is_on = end(b);
    if (*count > ROOM)
        *count = ROOM;
    return true;
}

static void begin_frame(Board *b, int64_t count)
{
    b->start_us[b->frames] = b->now_us;
    b->count[b->frames++] = count;
}

static int on_frame(Board *b)
{
    int count;
    bool is_on;
    int64_t total_us = 0;
    b->now_us = b->frame_at_us;
    if (!pulses(b, &count, &is_on))
        return stopped(b, IN_PULSES, STOPPED);
    see_flag(b, is_on);
    if (count == 0) {
        b->frame_at_us = b->now_us + next_period_us(b);
        return DONE;
    }
    for (int k = 0; k < count; k++) {
        int64_t width_us = register_us(b, b->own_us[k]);
        total_us += width_us;
        if (!b->is_silent && !b->is_live)
            b->width_us[b->widths++] = width_us;
    }
    if (!b->is_silent)
        begin_frame(b, b->is_live ? 0 : count);
    if (b->is_live && !b->is_silent) {
        b->began_us = b->now_us;
        b->slots = count;
        b->slot = 0;
    } else
        b->frame_at_us = b->now_us + pause_us(b, total_us);
    return DONE;
}

/* Read one width during a frame, at the end of the pulse before. */
static int on_slot(Board *b)
{
    int count;
    bool is_on;
    int64_t width_us;
    b->now_us = b->frame_at_us;
    if (!b->slots) {
        int status = on_frame(b);
        if (status != DONE || !b->slots)
            return status;
    } else if (b->is_silent) {
        b->slots = 0;
        b->frame_at_us = b->now_us + next_period_us(b);
        return DONE;
    } else if (b->slot == b->slots) {
        b->slots = 0;
        b->frame_at_us = b->began_us + pause_us(b, b->now_us - b->began_us);
        return DONE;
    }
    if (!pulses(b, &count, &is_on))
        return stopped(b, IN_PULSES, STOPPED);
    width_us = register_us(b, b->slot < count ? b->own_us[b->slot] : b->unused_us);
    b->slot++;
    b->width_us[b->widths++] = width_us;
    if (b->frames)
        b->count[b->frames - 1]++;
    else
        b->begun++;
    b->frame_at_us = b->now_us + width_us;
    return DONE;
}

/* --- what Python calls ---------------------------------------------------------------------------------------- */

DRIVER_API int64_t driver_bytes(void)
{
    return (int64_t)sizeof(Board);
}

DRIVER_API int driver_boot(Board *b, int64_t now_us)
{
    int status;
    b->now_us = b->powered_us = now_us;
    b->carried = b->wants = b->idle_spins = 0;
    b->turns_left = b->most_turns;
    b->requested = 0;
    memset(b->own_us, 0, sizeof b->own_us);
    if (!begin(b, POWER_ON))
        return stopped(b, IN_POWER_ON, STOPPED);
    b->power_on(b->memory, clock_at(b, now_us));
    (void)end(b);
    status = iterate(b);
    if (status == DONE)
        put_flag(b, b->flag != 0); /* also where it has not changed */
    return status;
}

/* An iteration of the main loop at an instant. */
DRIVER_API int driver_turn(Board *b, int64_t now_us)
{
    b->now_us = now_us;
    return iterate(b);
}

/* Everything until an instant, which is not included. */
DRIVER_API int driver_span(Board *b, int64_t until_us)
{
    for (;;) {
        int64_t due_us = b->loop_at_us <= b->frame_at_us ? b->loop_at_us : b->frame_at_us;
        int status;
        if (b->frames == FRAMES || b->flags == FLAGS || b->widths > FRAMES * ROOM - ROOM)
            return FULL;
        if (b->next < b->packets && b->at_us[b->next] <= due_us)
            status = take_packet(b);
        else if (due_us >= until_us)
            return DONE;
        else if (b->loop_at_us <= b->frame_at_us)
            status = on_loop(b);
        else
            status = b->is_live ? on_slot(b) : on_frame(b);
        if (status != DONE)
            return status;
    }
}
