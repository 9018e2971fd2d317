/* The core as a process behind a pseudo-terminal, and the hooks tests have.
 *
 * Time follows the monotonic clock, stretched where a busy machine holds the process up, or with
 * --commanded is only what `run` commands add to it; then nothing depends on the machine at all. */
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "console.h"
#include "pty.h"
#include "rung_core.h"
#include "rung_forbidden.h"

#define REFERENCE_MV 5000U
#define FULL_SCALE 1024U
#define CHANNELS 2U
/* Commanded time passes in slices of this size, so a latch is at most this late. */
#define SLICE_US 100U
#define WAIT_MS 1
/* Further behind than this the process stretches its time instead of racing. It is less than two
 * milliseconds, so that what falls due is at most one late, and with the one rounded up at most the
 * two that SPEC.md allows. */
#define DEBT_MOST_US 1900U
#define RECEIVED_BYTES 4096U

struct host {
    struct pty pty;
    struct console console;
    bool commanded;
    bool no_converter;
    bool fault;           /* found since the core last asked */
    bool quiet;           /* nothing was received in the last turn */
    bool sent;            /* a frame has gone out since this was last set to false */
    uint64_t epoch_us;    /* of the monotonic clock when elapsed_us was zero */
    uint64_t elapsed_us;  /* the board's time */
    uint16_t clock_ms;    /* what the counter showed at `clock_set_us` */
    uint64_t clock_set_us;
    uint16_t millivolts[CHANNELS];
    uint8_t settings[2];
    uint8_t received[RECEIVED_BYTES];
    size_t received_at;
    size_t received_end;
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

/* Lets the board's clock follow the machine's. It stands still between turns, so that a board of a
 * process that is held up is held up as a whole. */
static void follow_clock(struct host *host)
{
    uint64_t now = monotonic_us() - host->epoch_us;
    uint64_t most = host->elapsed_us + DEBT_MOST_US;
    if (now > most) {
        host->epoch_us += now - most;
        now = most;
    }
    host->elapsed_us = now;
}

/* --- the board's callbacks ------------------------------------------------------------------ */

static int16_t host_receive(void *context)
{
    struct host *host = context;
    if (host->received_at == host->received_end) {
        host->received_at = 0;
        host->received_end = pty_read(&host->pty, host->received, sizeof(host->received));
        if (host->received_end == 0U) {
            return -1;
        }
    }
    host->received_at++;
    return (int16_t)host->received[host->received_at - 1U];
}

static void host_send(void *context, const uint8_t *bytes, uint8_t count)
{
    struct host *host = context;
    host->sent = true;
    pty_write(&host->pty, bytes, count);
    if (host->commanded || host->console.replies) {
        console_say_sent(&host->console, host->elapsed_us, bytes, count);
    }
}

static bool host_sending(void *context)
{
    (void)context;
    return false;
}

static uint16_t host_milliseconds(void *context)
{
    const struct host *host = context;
    return (uint16_t)(host->clock_ms + (host->elapsed_us - host->clock_set_us) / 1000U);
}

static void host_latch(void *context, const uint8_t *mask)
{
    const struct host *host = context;
    struct latched latched = { host->elapsed_us, 0, RUNG_RELAY_COUNT, host_milliseconds(context) };
    size_t i;
    for (i = RUNG_MASK_BYTES; i > 0U; i--) {
        latched.state = (latched.state << 8) | mask[i - 1U];
    }
    console_say_latch(&host->console, &latched);
}

static bool host_sense(void *context, uint8_t channel, struct rung_sample *sample)
{
    const struct host *host = context;
    if (channel >= CHANNELS) {
        return false;
    }
    sample->raw = (uint16_t)(host->millivolts[channel] * FULL_SCALE / REFERENCE_MV);
    sample->full_scale = FULL_SCALE;
    sample->reference_mv = REFERENCE_MV;
    return true;
}

static void host_load(void *context, uint8_t *bytes, uint8_t count)
{
    const struct host *host = context;
    memcpy(bytes, host->settings, count);
}

static void host_store(void *context, const uint8_t *bytes, uint8_t count)
{
    struct host *host = context;
    memcpy(host->settings, bytes, count);
}

static bool host_sound(void *context)
{
    struct host *host = context;
    bool sound = !host->fault;
    host->fault = false;
    return sound;
}

static void host_idle(void *context)
{
    struct host *host = context;
    host->quiet = true;
}

/* --- turns of the process ------------------------------------------------------------------- */

static void run_until_quiet(struct rung_core *core, struct host *host)
{
    host->quiet = false;
    while (!host->quiet) {
        rung_core_poll(core);
    }
}

static void run_commanded(struct rung_core *core, struct host *host, bool until_sent)
{
    uint64_t end = host->elapsed_us + host->console.number;
    host->sent = false;
    run_until_quiet(core, host);
    while (host->elapsed_us < end && !(until_sent && host->sent)) {
        uint64_t left = end - host->elapsed_us;
        host->elapsed_us += left < SLICE_US ? left : SLICE_US;
        run_until_quiet(core, host);
    }
    console_say_at(host->elapsed_us);
}

static void restart(struct rung_core *core, struct host *host, const struct rung_board *board)
{
    host->received_at = 0;
    host->received_end = 0;
    rung_core_start(core, board);
}

static void inject(struct host *host)
{
    size_t room = sizeof(host->received) - host->received_end;
    size_t count = host->console.count < room ? host->console.count : room;
    memcpy(host->received + host->received_end, host->console.bytes, count);
    host->received_end += count;
}

/* Returns false when the process is to end. */
static bool obey(struct rung_core *core, struct host *host, const struct rung_board *board)
{
    enum command command;
    while ((command = console_command(&host->console)) != COMMAND_NONE) {
        switch (command) {
        case COMMAND_QUIT:
            return false;
        case COMMAND_RUN:
        case COMMAND_AWAIT:
            if (host->commanded) {
                run_commanded(core, host, command == COMMAND_AWAIT);
            }
            break;
        case COMMAND_WRITE:
            inject(host);
            break;
        case COMMAND_RESTART:
            restart(core, host, board);
            console_say("restarted", host->elapsed_us);
            break;
        case COMMAND_CLOCK:
            host->clock_set_us = host->elapsed_us;
            host->clock_ms = (uint16_t)host->console.number;
            break;
        case COMMAND_MILLIVOLTS:
            if (host->console.number < CHANNELS) {
                host->millivolts[host->console.number] = (uint16_t)host->console.second;
            }
            break;
        case COMMAND_FAULT:
            host->fault = true;
            break;
        default:
            (void)fprintf(stderr, "rungwise-host: a command it does not know\n");
            break;
        }
    }
    return true;
}

static void wait_for_input(const struct host *host)
{
    struct pollfd files[2];
    files[0].fd = host->pty.master;
    files[0].events = host->commanded ? 0 : POLLIN;
    files[1].fd = host->console.closed ? -1 : STDIN_FILENO;
    files[1].events = POLLIN;
    (void)poll(files, 2, host->commanded ? 100 : WAIT_MS);
}

static int usage(void)
{
    (void)fprintf(stderr, "usage: rungwise-host [--commanded] [--stay] [--record FILE [--replies]]"
                          " [--input MILLIVOLTS] [--clock MS] [--boots COUNT] [--no-converter]\n");
    return 2;
}

static int parse_arguments(struct host *host, int count, char **words)
{
    int i;
    for (i = 1; i < count; i++) {
        if (strcmp(words[i], "--commanded") == 0) {
            host->commanded = true;
        } else if (strcmp(words[i], "--no-converter") == 0) {
            host->no_converter = true;
        } else if (strcmp(words[i], "--replies") == 0) {
            host->console.replies = true;
        } else if (strcmp(words[i], "--stay") == 0) {
            host->console.stay = true;
        } else if (strcmp(words[i], "--record") == 0 && i + 1 < count) {
            i++;
            host->console.record = open(words[i], O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
            if (host->console.record < 0) {
                perror(words[i]);
                return 2;
            }
        } else if (strcmp(words[i], "--input") == 0 && i + 1 < count) {
            i++;
            host->millivolts[0] = (uint16_t)strtoul(words[i], NULL, 10);
        } else if (strcmp(words[i], "--clock") == 0 && i + 1 < count) {
            i++;
            host->clock_ms = (uint16_t)strtoul(words[i], NULL, 0);
        } else if (strcmp(words[i], "--boots") == 0 && i + 1 < count) {
            unsigned long boots;
            i++;
            boots = strtoul(words[i], NULL, 0); /* starts before this one, as the core keeps them */
            host->settings[0] = (uint8_t)~(boots & 0xFFU);
            host->settings[1] = (uint8_t)~((boots >> 8) & 0xFFU);
        } else {
            return usage();
        }
    }
    return host->console.replies && host->console.record < 0 ? usage() : 0;
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

int main(int argument_count, char **arguments)
{
    static struct host host;
    static struct rung_core core;
    struct rung_board board;

    host.console.record = -1;
    memset(host.settings, 0xFF, sizeof(host.settings));
    if (parse_arguments(&host, argument_count, arguments) != 0) {
        return 2;
    }
    if (pty_open(&host.pty) != 0) {
        perror("rungwise-host: pseudo-terminal");
        return 1;
    }
    catch_signals();
    (void)fcntl(STDIN_FILENO, F_SETFL, O_NONBLOCK);
    host.epoch_us = monotonic_us();

    board.context = &host;
    board.receive = host_receive;
    board.send = host_send;
    board.sending = host_sending;
    board.milliseconds = host_milliseconds;
    board.latch = host_latch;
    board.sense = host.no_converter ? NULL : host_sense;
    board.load = host_load;
    board.store = host_store;
    board.forbidden = rung_forbidden;
    board.sound = host_sound;
    board.idle = host_idle;

    rung_core_start(&core, &board);
    console_say_pty(host.pty.path);
    while (quit_asked == 0) {
        if (!obey(&core, &host, &board)) {
            break;
        }
        if (restart_asked != 0) {
            restart_asked = 0;
            restart(&core, &host, &board);
        }
        if (!host.commanded) {
            follow_clock(&host);
            run_until_quiet(&core, &host);
        }
        wait_for_input(&host);
    }
    return 0;
}
