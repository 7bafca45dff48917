/* A handset board in virtual time, for tests: functions that Python can call. */
#include "handset_board.h"

#include <string.h>

#define ROOM 1048576u

static struct board board;
static uint8_t sent[ROOM];
static uint32_t sent_count;

static void keep(void *user, const uint8_t *data, uint8_t length)
{
    (void)user;
    if (sent_count + length <= ROOM) {
        memcpy(sent + sent_count, data, length);
        sent_count += length;
    }
}

void driver_begin(uint32_t now_us)
{
    sent_count = 0;
    board_begin(&board, now_us, keep, NULL, NULL, "handset");
}

void driver_feed(const uint8_t *data, uint32_t length, uint32_t now_us)
{
    for (uint32_t i = 0; i < length; i++)
        board_byte(&board, data[i], now_us);
}

void driver_run(uint32_t now_us)
{
    board_run(&board, now_us);
}

uint32_t driver_sent(uint8_t *out)
{
    uint32_t count = sent_count;
    memcpy(out, sent, count);
    sent_count = 0;
    return count;
}
