/* The board's side of the bench protocol for tests: functions that Python can call, or a program that feeds its
 * standard input to bench_byte (-DAS_PROGRAM), for a run under sanitizers.
 */
#include "bench.h"
#include "board.h"

#include <stdio.h>
#include <string.h>

#define ROOM 65536u

static struct bench bench;
static uint8_t sent[ROOM];
static uint32_t sent_count, orders[512][2], order_count;

static void keep(void *user, const uint8_t *data, uint8_t length)
{
    (void)user;
    if (sent_count + length > ROOM)
        sent_count = 0;
    memcpy(sent + sent_count, data, length);
    sent_count += length;
}

void driver_begin(const char *name, uint8_t channels, uint8_t abilities)
{
    sent_count = order_count = 0;
    bench_begin(&bench, keep, NULL, name, channels, abilities);
}

void driver_feed(const uint8_t *data, uint32_t length, uint32_t now_us)
{
    struct bench_order order;
    for (uint32_t i = 0; i < length; i++)
        if (bench_byte(&bench, data[i], now_us, &order) && order_count < 512u) {
            orders[order_count][0] = (uint32_t)order.type;
            orders[order_count++][1] = order.value_us;
        }
}

/* Lets the queue be served at an instant. */
void driver_due(uint32_t now_us)
{
    struct bench_order order;
    while (bench_due(&bench, now_us, &order))
        if (order_count < 512u) {
            orders[order_count][0] = (uint32_t)order.type;
            orders[order_count++][1] = order.value_us;
        }
}

bool driver_next(uint32_t *at_us)
{
    return bench_next(&bench, at_us);
}

bool driver_host_lost(uint32_t now_us)
{
    return bench_host_lost(&bench, now_us);
}

uint8_t driver_packet(uint8_t *payload)
{
    return bench_packet(&bench, payload);
}

void driver_report(uint32_t now_us, const uint16_t *widths_us, uint8_t count, bool failsafe)
{
    bench_report(&bench, now_us, widths_us, count, failsafe);
}

void driver_frame(uint32_t start_us, uint16_t separator_us, const uint16_t *widths_us, uint8_t count)
{
    bench_frame(&bench, start_us, separator_us, widths_us, count);
}

void driver_edges(bool level, const uint32_t *at_us, uint8_t count)
{
    bench_edges(&bench, level, at_us, count);
}

void driver_boot(uint32_t now_us, uint8_t cause)
{
    bench_boot(&bench, now_us, (enum bench_cause)cause);
}

uint32_t driver_sent(uint8_t *out)
{
    uint32_t count = sent_count;
    memcpy(out, sent, count);
    sent_count = 0;
    return count;
}

uint32_t driver_orders(uint32_t *out)
{
    uint32_t count = order_count;
    memcpy(out, orders, count * sizeof *orders);
    order_count = 0;
    return count;
}

void driver_counters(uint32_t *out)
{
    out[0] = bench.received;
    out[1] = bench.damaged;
    out[2] = bench.overrun;
}

#ifdef AS_PROGRAM
/* Everything through a whole board too: its clock goes on by one character time a byte. */
int main(void)
{
    static struct board board;
    uint8_t payload[BENCH_PACKET_BYTES];
    uint32_t now_us = 0xFFF00000u, packets = 0;
    int byte;
    driver_begin("fuzzed", 8, 31);
    board_begin(&board, now_us, keep, NULL, NULL, "fuzzed");
    while ((byte = getchar()) != EOF) {
        uint8_t one = (uint8_t)byte;
        driver_feed(&one, 1, now_us);
        driver_due(now_us);
        if (bench_packet(&bench, payload))
            packets++;
        board_byte(&board, one, now_us);
        now_us += 40u;
    }
    printf("%lu %lu %lu %lu", (unsigned long)bench.received, (unsigned long)bench.damaged,
           (unsigned long)bench.overrun, (unsigned long)packets);
#if BENCH_QUEUE_BYTES
    printf(" %lu %lu %lu %lu %u", (unsigned long)bench.accepted, (unsigned long)bench.done,
           (unsigned long)bench.refused, (unsigned long)bench.cleared, (unsigned)bench.queued);
#endif
    printf("\n");
    return 0;
}
#endif
