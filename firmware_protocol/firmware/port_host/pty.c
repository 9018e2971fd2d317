/* Knows: pseudo-terminals and the monotonic clock of a POSIX host.
 * Must not know: the protocol, relays, emulation. */
#include "pty.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/types.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

int pty_open(struct pty *pty)
{
    struct termios settings;
    const char *name;

    pty->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (pty->master < 0) {
        return -1;
    }
    if (grantpt(pty->master) != 0 || unlockpt(pty->master) != 0) {
        return -1;
    }
    name = ptsname(pty->master);
    if (name == NULL) {
        return -1;
    }
    (void)snprintf(pty->path, sizeof(pty->path), "%s", name);
    pty->slave = open(pty->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (pty->slave < 0 || tcgetattr(pty->slave, &settings) != 0) {
        return -1;
    }
    cfmakeraw(&settings);
    (void)cfsetspeed(&settings, B115200);
    return tcsetattr(pty->slave, TCSANOW, &settings);
}

size_t pty_read(const struct pty *pty, uint8_t *bytes, size_t room)
{
    ssize_t got = read(pty->master, bytes, room);
    return got > 0 ? (size_t)got : 0U;
}

void pty_write(const struct pty *pty, const uint8_t *bytes, size_t count)
{
    ssize_t put = write(pty->master, bytes, count);
    (void)put;
}

uint64_t monotonic_us(void)
{
    struct timespec now = { 0, 0 };
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000U + (uint64_t)now.tv_nsec / 1000U;
}
