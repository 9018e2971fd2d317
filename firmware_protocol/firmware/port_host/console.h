/* Knows: the lines in which a test talks with an emulated board: commands on standard input,
 * events on standard output, the latch record in a file.
 * Must not know: the protocol, how a board is emulated. README.md lists the lines. */
#ifndef RUNG_CONSOLE_H
#define RUNG_CONSOLE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum command {
    COMMAND_NONE,       /* nothing to read */
    COMMAND_QUIT,       /* `quit`, or standard input is closed and `stay` is off */
    COMMAND_RUN,        /* `run MICROSECONDS` */
    COMMAND_AWAIT,      /* `await MICROSECONDS`: as run, but ends when the board has sent a frame */
    COMMAND_WRITE,      /* `write HEX` */
    COMMAND_RESTART,    /* `restart` */
    COMMAND_CLOCK,      /* `clock MILLISECONDS` */
    COMMAND_MILLIVOLTS, /* `millivolts CHANNEL VALUE` */
    COMMAND_FAULT,      /* `fault` */
    COMMAND_HANG,       /* `hang` */
    COMMAND_STICK,      /* `stick STAGE LEVEL` */
    COMMAND_MEND,       /* `mend` */
    COMMAND_STACK,      /* `stack` */
    COMMAND_UNKNOWN
};

#define CONSOLE_LINE 2048

struct console {
    int record; /* file descriptor of the latch record, or -1 */
    bool replies; /* the record takes what was sent, too */
    bool stay;  /* closed standard input does not end the program */
    bool closed;
    char line[CONSOLE_LINE];
    size_t held;
    /* arguments of the command that was read last */
    uint64_t number;
    uint64_t second;
    uint8_t bytes[CONSOLE_LINE / 2];
    size_t count;
};

/* Reads one command without waiting. */
enum command console_command(struct console *console);

/* True when a whole command is already in memory, so that waiting for input would miss it. */
bool console_pending(const struct console *console);

/* `pty PATH` */
void console_say_pty(const char *path);
/* `at MICROSECONDS`: a `run` or `await` has ended. */
void console_say_at(uint64_t us);
/* `sent MICROSECONDS HEX`: bytes that the board sent, with the time of the last one; on standard
 * output, or in the record where that takes replies. */
void console_say_sent(const struct console *console, uint64_t us, const uint8_t *bytes, size_t count);
/* `NAME VALUE` */
void console_say(const char *name, uint64_t value);

/* What was latched, when, and what the board's own millisecond counter then showed. */
struct latched {
    uint64_t us;
    uint64_t state;
    unsigned relays;
    uint16_t counter_ms;
};

/* `latch MICROSECONDS 0xSTATE COUNTER`, on standard output and in the record. */
void console_say_latch(const struct console *console, const struct latched *latched);

#endif
