/* Knows: the lines in which a test talks with an emulated board.
 * Must not know: the protocol, how a board is emulated. */
#include "console.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static const struct {
    const char *word;
    enum command command;
} commands[] = {
    { "quit", COMMAND_QUIT },       { "run", COMMAND_RUN },
    { "await", COMMAND_AWAIT },     { "write", COMMAND_WRITE },
    { "restart", COMMAND_RESTART }, { "clock", COMMAND_CLOCK },
    { "fault", COMMAND_FAULT },     { "millivolts", COMMAND_MILLIVOLTS },
    { "hang", COMMAND_HANG },       { "stick", COMMAND_STICK },
    { "mend", COMMAND_MEND },       { "stack", COMMAND_STACK },
};

static void put(int file, const char *text, size_t count)
{
    while (count > 0U) {
        ssize_t done = write(file, text, count);
        if (done < 0 && errno == EINTR) {
            continue;
        }
        if (done <= 0) {
            return; /* nobody listens; the board goes on */
        }
        text += done;
        count -= (size_t)done;
    }
}

static int nibble(char digit)
{
    if (digit >= '0' && digit <= '9') {
        return digit - '0';
    }
    if (digit >= 'a' && digit <= 'f') {
        return digit - 'a' + 10;
    }
    if (digit >= 'A' && digit <= 'F') {
        return digit - 'A' + 10;
    }
    return -1;
}

static void parse_hex(struct console *console, const char *text)
{
    console->count = 0;
    while (console->count < sizeof(console->bytes) && nibble(text[0]) >= 0 && nibble(text[1]) >= 0) {
        console->bytes[console->count] = (uint8_t)(nibble(text[0]) * 16 + nibble(text[1]));
        console->count++;
        text += 2;
    }
}

static enum command parse(struct console *console, char *line)
{
    char *rest = line + strcspn(line, " ");
    size_t i;
    if (*rest != '\0') {
        *rest = '\0';
        rest++;
    }
    for (i = 0; i < sizeof(commands) / sizeof(commands[0]); i++) {
        if (strcmp(line, commands[i].word) == 0) {
            if (commands[i].command == COMMAND_WRITE) {
                parse_hex(console, rest);
            } else {
                char *after = rest;
                console->number = strtoull(rest, &after, 0);
                console->second = strtoull(after, NULL, 0);
            }
            return commands[i].command;
        }
    }
    return COMMAND_UNKNOWN;
}

bool console_pending(const struct console *console)
{
    return memchr(console->line, '\n', console->held) != NULL;
}

enum command console_command(struct console *console)
{
    char line[CONSOLE_LINE];
    const char *end;
    size_t length;

    if (!console_pending(console) && !console->closed) {
        ssize_t got = read(STDIN_FILENO, console->line + console->held,
                           sizeof(console->line) - console->held);
        if (got > 0) {
            console->held += (size_t)got;
        } else if (got == 0) {
            console->closed = true;
        } else {
            /* nothing there yet */
        }
    }
    end = memchr(console->line, '\n', console->held);
    if (end == NULL) {
        if (console->held == sizeof(console->line)) {
            console->held = 0;
            return COMMAND_UNKNOWN;
        }
        return console->closed && !console->stay ? COMMAND_QUIT : COMMAND_NONE;
    }
    length = (size_t)(end - console->line);
    memcpy(line, console->line, length);
    line[length] = '\0';
    console->held -= length + 1U;
    memmove(console->line, end + 1, console->held);
    return parse(console, line);
}

void console_say_pty(const char *path)
{
    char text[160];
    int count = snprintf(text, sizeof(text), "pty %s\n", path);
    put(STDOUT_FILENO, text, (size_t)count);
}

void console_say(const char *name, uint64_t value)
{
    char text[96];
    int count = snprintf(text, sizeof(text), "%s %" PRIu64 "\n", name, value);
    put(STDOUT_FILENO, text, (size_t)count);
}

void console_say_at(uint64_t us)
{
    console_say("at", us);
}

void console_say_sent(const struct console *console, uint64_t us, const uint8_t *bytes, size_t count)
{
    char text[640];
    size_t used = (size_t)snprintf(text, sizeof(text), "sent %" PRIu64 " ", us);
    size_t i;
    for (i = 0; i < count && used + 4U < sizeof(text); i++) {
        used += (size_t)snprintf(text + used, sizeof(text) - used, "%02x", (unsigned)bytes[i]);
    }
    text[used] = '\n';
    put(console->replies ? console->record : STDOUT_FILENO, text, used + 1U);
}

void console_say_latch(const struct console *console, const struct latched *latched)
{
    char text[96];
    int digits = (int)((latched->relays + 3U) / 4U);
    int count = snprintf(text, sizeof(text), "latch %" PRIu64 " 0x%0*" PRIx64 " %u\n", latched->us,
                         digits, latched->state, (unsigned)latched->counter_ms);
    put(STDOUT_FILENO, text, (size_t)count);
    if (console->record >= 0) {
        put(console->record, text, (size_t)count);
    }
}
