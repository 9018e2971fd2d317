/* The whole firmware in two calls: rungwise_start() in setup, rungwise_turn() in loop.
 *
 * The board takes the serial port, timer 2, the analogue converter and the watchdog for itself: a
 * sketch uses none of them, and loop does nothing that takes longer than a millisecond. What the
 * board is like stands in rung_choices.h beside this file. */
#ifndef RUNGWISE_BOARD_H
#define RUNGWISE_BOARD_H

#ifdef __cplusplus
extern "C" {
#endif

/* As avr_board.h has them. */
void avr_board_start(void);
void avr_board_turn(void);

/* Parks, and listens. The watchdog runs from here on. */
static inline void rungwise_start(void)
{
    avr_board_start();
}

/* One turn of the firmware, which feeds the watchdog. */
static inline void rungwise_turn(void)
{
    avr_board_turn();
}

#ifdef __cplusplus
}
#endif

#endif
