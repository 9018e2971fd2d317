/* Knows: pseudo-terminals and the monotonic clock of a POSIX host.
 * Must not know: the protocol, relays, emulation. */
#ifndef RUNG_PTY_H
#define RUNG_PTY_H

#include <stddef.h>
#include <stdint.h>

struct pty {
    int master;
    int slave; /* held open, so that a client that leaves does not hang the line up */
    char path[128];
};

/* Opens a pair in raw mode from the first moment on: nothing is echoed, changed or held back.
 * Returns 0, or -1 with errno set. */
int pty_open(struct pty *pty);

/* Bytes a client has written, without waiting; 0 when there are none. */
size_t pty_read(const struct pty *pty, uint8_t *bytes, size_t room);

/* As a serial line does, forgets what nobody takes. */
void pty_write(const struct pty *pty, const uint8_t *bytes, size_t count);

uint64_t monotonic_us(void);

#endif
