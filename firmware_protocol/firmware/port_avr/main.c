/* The program of a chip that runs nothing else. */
#include "avr_board.h"

int main(void)
{
    avr_board_start();
    for (;;) {
        avr_board_turn();
    }
}
