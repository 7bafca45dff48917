/* Prints how much memory the board's parts take. */
#include "board.h"

#include <stdio.h>

int main(void)
{
    printf("bench %lu\nboard %lu\nprogram %d\n", (unsigned long)sizeof(struct bench),
           (unsigned long)sizeof(struct board), RECEIVER_BYTES);
    return 0;
}
