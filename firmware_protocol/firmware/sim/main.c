/* Runs an AVR image of the firmware in an emulated chip: paced against the clock of the host or by
 * commanded time, with its serial port, its relays and its analogue inputs.
 *
 * simavr's own pseudo-terminal is not paced, hence this one: bytes go in no faster than a line
 * brings them. */
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "chip.h"
#include "console.h"
#include "pty.h"

/* Paced time runs in slices of at most this; it is what the emulation adds to a round trip. */
#define SLICE_US 500U
#define COMMANDED_SLICE_US 100U
/* Further behind than this (a busy machine) the emulation stretches time instead of racing. */
#define DEBT_MOST_US 20000U

/* What is at analogue input 0 in a state of the relays. */
struct wired {
    uint32_t state;
    uint32_t millivolts;
};

#define WIRED_MOST 4096U

struct bench {
    struct pty pty;
    struct wired wired[WIRED_MOST];
    size_t wired_count;
    struct console console;
    struct chip chip;
    struct chip_parts parts;
    bool commanded;
    uint64_t epoch_us;
    uint8_t sent[512];
    size_t sent_count;
    bool frame_sent;
};

static volatile sig_atomic_t restart_asked;
static volatile sig_atomic_t quit_asked;

static void on_signal(int number)
{
    if (number == SIGUSR1) {
        restart_asked = 1;
    } else {
        quit_asked = 1;
    }
}

static void flush_sent(struct bench *bench)
{
    if (bench->sent_count > 0U) {
        pty_write(&bench->pty, bench->sent, bench->sent_count);
        if (bench->commanded || bench->console.replies) {
            console_say_sent(&bench->console, chip_us(&bench->chip), bench->sent, bench->sent_count);
        }
        bench->sent_count = 0;
    }
}

static void on_sent(void *context, uint8_t byte)
{
    struct bench *bench = context;
    bench->sent[bench->sent_count] = byte;
    bench->sent_count++;
    if (byte == 0U || bench->sent_count == sizeof(bench->sent)) {
        flush_sent(bench);
        bench->frame_sent = true;
    }
}

static void on_latch(void *context, uint64_t us, uint32_t state)
{
    struct bench *bench = context;
    struct latched latched = { us, state, bench->parts.relays, chip_milliseconds(&bench->chip) };
    console_say_latch(&bench->console, &latched);
    for (size_t i = 0; i < bench->wired_count; i++) {
        if (bench->wired[i].state == state) {
            chip_set_millivolts(&bench->chip, 0, bench->wired[i].millivolts);
            return;
        }
    }
}

/* Lines of a state in hexadecimal digits and millivolts; a state that is not listed changes nothing. */
static bool read_wired(struct bench *bench, const char *path)
{
    FILE *file = fopen(path, "r");
    if (file == NULL) {
        perror(path);
        return false;
    }
    char line[64];
    while (bench->wired_count < WIRED_MOST && fgets(line, sizeof line, file) != NULL) {
        char *rest = NULL;
        struct wired *one = &bench->wired[bench->wired_count];
        one->state = (uint32_t)strtoul(line, &rest, 16);
        one->millivolts = (uint32_t)strtoul(rest, NULL, 10);
        bench->wired_count++;
    }
    (void)fclose(file);
    return true;
}

static void take_from_pty(struct bench *bench)
{
    uint8_t bytes[512];
    size_t room = chip_room(&bench->chip);
    size_t count = pty_read(&bench->pty, bytes, room < sizeof(bytes) ? room : sizeof(bytes));
    chip_feed(&bench->chip, bytes, count);
}

static void run_commanded(struct bench *bench, bool until_sent)
{
    uint64_t end = chip_us(&bench->chip) + bench->console.number;
    bench->frame_sent = false;
    while (chip_us(&bench->chip) < end && !(until_sent && bench->frame_sent)) {
        uint64_t next = chip_us(&bench->chip) + COMMANDED_SLICE_US;
        take_from_pty(bench);
        chip_run_until(&bench->chip, next < end ? next : end);
    }
    flush_sent(bench);
    console_say_at(chip_us(&bench->chip));
}

/* Returns false when the process is to end. */
static bool obey(struct bench *bench)
{
    struct console *console = &bench->console;
    enum command command;
    while ((command = console_command(console)) != COMMAND_NONE) {
        switch (command) {
        case COMMAND_QUIT:
            return false;
        case COMMAND_RUN:
        case COMMAND_AWAIT:
            if (bench->commanded) {
                run_commanded(bench, command == COMMAND_AWAIT);
            }
            break;
        case COMMAND_WRITE:
            chip_feed(&bench->chip, console->bytes, console->count);
            break;
        case COMMAND_RESTART:
            chip_restart(&bench->chip);
            console_say("restarted", chip_us(&bench->chip));
            break;
        case COMMAND_CLOCK:
            chip_set_milliseconds(&bench->chip, (uint16_t)console->number);
            break;
        case COMMAND_MILLIVOLTS:
            chip_set_millivolts(&bench->chip, (unsigned)console->number, (uint32_t)console->second);
            break;
        case COMMAND_HANG:
            chip_hang(&bench->chip);
            break;
        case COMMAND_STICK:
            chip_stick(&bench->chip, (unsigned)console->number, console->second != 0U);
            break;
        case COMMAND_MEND:
            chip_mend(&bench->chip);
            break;
        case COMMAND_STACK:
            console_say("stack", chip_stack_bytes(&bench->chip));
            break;
        default:
            (void)fprintf(stderr, "rungwise-sim: a command it does not know\n");
            break;
        }
    }
    return true;
}

/* Lets the chip catch up with the host's clock. */
static void run_paced(struct bench *bench)
{
    uint64_t now = monotonic_us() - bench->epoch_us;
    uint64_t at = chip_us(&bench->chip);
    if (now > at + DEBT_MOST_US) {
        bench->epoch_us += now - at - DEBT_MOST_US;
        now = at + DEBT_MOST_US;
    }
    while (at < now) {
        take_from_pty(bench);
        chip_run_until(&bench->chip, now < at + SLICE_US ? now : at + SLICE_US);
        at = chip_us(&bench->chip);
    }
    flush_sent(bench);
}

static void wait_for_input(const struct bench *bench)
{
    struct pollfd files[2];
    struct timespec slice = { 0, (long)SLICE_US * 1000L };
    files[0].fd = bench->commanded ? -1 : bench->pty.master;
    files[0].events = POLLIN;
    files[1].fd = bench->console.closed ? -1 : STDIN_FILENO;
    files[1].events = POLLIN;
    if (bench->commanded) {
        slice.tv_nsec = 100000000L;
    } else if (chip_room(&bench->chip) == 0U) {
        files[0].fd = -1; /* nothing could be taken; do not spin */
    } else {
        /* as above */
    }
    (void)ppoll(files, 2, &slice, NULL);
}

static void catch_signals(void)
{
    struct sigaction action;
    memset(&action, 0, sizeof(action));
    action.sa_handler = on_signal;
    (void)sigaction(SIGUSR1, &action, NULL);
    (void)sigaction(SIGTERM, &action, NULL);
    (void)sigaction(SIGINT, &action, NULL);
    (void)signal(SIGPIPE, SIG_IGN);
}

static int usage(void)
{
    (void)fprintf(stderr, "usage: rungwise-sim [--chip KIND] [--loader LOADER.hex] [--pins]"
                          " [--relays COUNT] [--baud BAUD] [--input MILLIVOLTS] [--wired FILE]"
                          " [--supply MILLIVOLTS] [--commanded]"
                          " [--stay] [--record FILE [--replies]] IMAGE.elf\n");
    return 2;
}

/* A word that stands alone; false when it is none of them. */
static bool take_word(struct bench *bench, const char *word)
{
    if (strcmp(word, "--commanded") == 0) {
        bench->commanded = true;
    } else if (strcmp(word, "--stay") == 0) {
        bench->console.stay = true;
    } else if (strcmp(word, "--replies") == 0) {
        bench->console.replies = true;
    } else if (strcmp(word, "--pins") == 0) {
        bench->parts.outputs = CHIP_PINS;
    } else if (word[0] != '-' && bench->parts.image == NULL) {
        bench->parts.image = word;
    } else {
        return false;
    }
    return true;
}

/* A word and its value. */
static bool take_pair(struct bench *bench, const char *word, const char *value)
{
    if (strcmp(word, "--chip") == 0) {
        bench->parts.kind = value;
    } else if (strcmp(word, "--loader") == 0) {
        bench->parts.loader = value;
    } else if (strcmp(word, "--relays") == 0) {
        bench->parts.relays = (unsigned)strtoul(value, NULL, 10);
    } else if (strcmp(word, "--baud") == 0) {
        bench->parts.baud = strtoul(value, NULL, 10);
    } else if (strcmp(word, "--input") == 0) {
        bench->parts.input_mv = (uint32_t)strtoul(value, NULL, 10);
    } else if (strcmp(word, "--wired") == 0) {
        return read_wired(bench, value);
    } else if (strcmp(word, "--supply") == 0) {
        bench->parts.supply_mv = (uint32_t)strtoul(value, NULL, 10);
    } else if (strcmp(word, "--record") == 0) {
        bench->console.record = open(value, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
        if (bench->console.record < 0) {
            perror(value);
            return false;
        }
    } else {
        return false;
    }
    return true;
}

static bool parse_arguments(struct bench *bench, int count, char **arguments)
{
    int i = 1;
    while (i < count) {
        if (i + 1 < count && take_pair(bench, arguments[i], arguments[i + 1])) {
            i += 2;
        } else if (take_word(bench, arguments[i])) {
            i++;
        } else {
            return false;
        }
    }
    return bench->parts.image != NULL && (!bench->console.replies || bench->console.record >= 0)
        && bench->parts.relays >= 1U && bench->parts.relays <= 32U && bench->parts.baud > 0U;
}

int main(int argument_count, char **arguments)
{
    static struct bench bench;

    bench.console.record = -1;
    bench.parts.kind = "atmega328p";
    bench.parts.relays = 32;
    bench.parts.baud = 115200;
    bench.parts.supply_mv = 4000;
    if (!parse_arguments(&bench, argument_count, arguments)) {
        return usage();
    }
    if (!chip_start(&bench.chip, &bench.parts, on_sent, on_latch, &bench)) {
        (void)fprintf(stderr, "rungwise-sim: %s is not an image for the %s\n", bench.parts.image,
                      bench.parts.kind);
        return 1;
    }
    if (pty_open(&bench.pty) != 0) {
        perror("rungwise-sim: pseudo-terminal");
        return 1;
    }
    catch_signals();
    (void)fcntl(STDIN_FILENO, F_SETFL, O_NONBLOCK);
    console_say_pty(bench.pty.path);
    bench.epoch_us = monotonic_us();
    while (quit_asked == 0 && obey(&bench) && chip_alive(&bench.chip)) {
        if (restart_asked != 0) {
            restart_asked = 0;
            chip_restart(&bench.chip);
        }
        if (!bench.commanded) {
            run_paced(&bench);
        }
        wait_for_input(&bench);
    }
    flush_sent(&bench);
    return chip_alive(&bench.chip) ? 0 : 1;
}
