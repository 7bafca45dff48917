/* What the receiver's and the handset's hardware around compiled firmware have in common. */
#ifndef DRIVER_H
#define DRIVER_H

#include <stdbool.h>
#include <stdint.h>

#if defined(_WIN32)
#define DRIVER_API __declspec(dllexport)
#else
#define DRIVER_API
#endif

#define FAR_US ((int64_t)1 << 62) /* never */
#define HALF 0x7fffffffu          /* a clock value further ahead than this is in the past */
#define MILLION 1000000

enum { DONE, FULL, STOPPED, SPUN, BUSY, LONG, ADDRESS }; /* what a function returns */

static int64_t floor_div(int64_t a, int64_t b) /* b > 0 */
{
    return a / b - (a % b < 0);
}

#endif
